package seasonimport

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"

	"huskline/services/huskline/internal/seasonfile"
)

func at(text string) *timestamppb.Timestamp {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return timestamppb.New(t)
}

// The messages are written out by hand from the rows of the folders; units are those of the contract.
func TestMessagesSayWhatTheRowsSay(t *testing.T) {
	t.Parallel()
	shared := newPlant()
	_, err := Run(context.Background(), config(t, shared, "season"))
	require.NoError(t, err)
	small := newPlant()
	season, _, err := seasonfile.Read(context.Background(), tiny(), seasonfile.Options{})
	require.NoError(t, err)
	_, err = Run(context.Background(), Config{Folder: tiny(), Season: season, Doors: small.doors(t), Now: time.Now})
	require.NoError(t, err)
	require.Empty(t, append(shared.faults, small.faults...))
	if want := []string{"hold-V-1"}; !slices.Equal(small.released, want) {
		t.Errorf("released holds = %v, want %v: that of the returned lot which is shipped again", small.released, want)
	}
	for _, c := range []struct {
		plant *plant
		id    string
		want  proto.Message
	}{
		{shared, commandID("deliveries.csv", "D-00001"), &intakev1.RecordDeliveryRequest{
			Delivery: &intakev1.DeliveryFacts{Lot: "D-00001", Claimant: claimant("deliveries.csv", "D-00001"), Party: "G0002",
				Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: "IN-IMP", Variety: "Pawnee", CropYear: 2024,
				Weighings: []*intakev1.Weighing{{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Digits: "5.000", Unit: "LBR"},
					{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: "0.000", Unit: "LBR"}},
				Sample: &eventv1.Sample{MoisturePpm: proto.Int64(53_000), ForeignPpm: proto.Int64(11_000), SampleMilligrams: 1_000_000,
					KernelMilligrams: 583_000, RejectMilligrams: 20_000, NutsPerLb: 78},
				PriceMicrosPerLb: proto.Int64(2_223_400), FreightMicros: 5_440_000},
			Effective: at("2024-10-06T07:21:00Z")}},
		{shared, commandID("receipts.csv", "I-00001"), &intakev1.ReceiveIngredientRequest{Lot: "I-00001", Claimant: claimant("receipts.csv", "I-00001"),
			Supplier: "S03", Item: "SUGAR", Quantity: 1_476_000_000, CostMicros: 936_150_000, Effective: at("2024-10-18T01:54:00Z")}},
		{shared, commandID("adjustments.csv", "A-00002"), &inventoryv1.AdjustLotRequest{Adjustment: "A-00002", Lot: "N-00286", Delta: -1_969_000,
			Reason: "moisture", Effective: at("2024-10-18T01:31:00Z")}},
		{shared, commandID("shipments.csv", "X-000001"), &inventoryv1.ShipGoodsRequest{Shipment: "X-000001",
			Kind: eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER, Consignee: "K000", Channel: "return to owner",
			Lines: []*eventv1.ShippedLine{{Line: 1, Lot: "N-00015", Quantity: 23_002_000}}, Effective: at("2024-10-18T11:10:00Z")}},
		{shared, commandID("final_prices.csv", "D-00008", "2024-10-18T17:53:00Z"), &intakev1.SettlePriceRequest{Lot: "D-00008",
			PriceMicrosPerLb: 2_361_100, Effective: at("2024-10-18T17:53:00Z")}},
		{shared, commandID("items.csv", "CL-L"), &intakev1.RegisterItemRequest{Item: &eventv1.ItemChanged{Item: "CL-L", Name: "cleaned in-shell, size L",
			Kind: eventv1.ItemKind_ITEM_KIND_IN_SHELL, Measure: eventv1.Measure_MEASURE_WEIGHT, SplitOffMicrosPerLb: proto.Int64(2_600_000),
			Allergens: []string{"tree nut"}}, Effective: at("1970-01-01T00:00:00Z")}},
		{small, commandID("runs.csv", "R-1"), &productionv1.RecordRunRequest{Run: &productionv1.RunFacts{Run: "R-1", Stage: "shell",
			Start: at("2024-10-03T08:00:00Z"), End: at("2024-10-03T09:00:00Z"),
			Inputs: []*productionv1.InputLine{{Lot: "B-1", Quantity: 60_000_000}, {Lot: "I-1", Quantity: 9_000_000}},
			Outputs: []*productionv1.OutputLine{{Lot: "N-1", Claimant: claimant("run_outputs.csv", "N-1"), Item: "KA", Quantity: 30_000_000,
				Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN}},
			Charges: []*eventv1.ChargePosted{{Kind: eventv1.ChargeKind_CHARGE_KIND_LABOUR, HoursMillionths: 1_000_000, RateMicros: 2_000_000},
				{Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER, AmountMicros: 4_000_000}}}}},
		{small, commandID("pours.csv", "P-3"), &inventoryv1.RecordPourRequest{Pour: "P-3", BinLot: "B-2", Claimant: claimant("pours.csv", "B-2"), Lot: "B-1",
			Quantity: 20_000_000, Effective: at("2024-10-02T08:02:00Z")}},
		{small, commandID("shipments.csv", "X-2"), &inventoryv1.ShipGoodsRequest{Shipment: "X-2", Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE,
			Consignee: "C1", Channel: "bulk", FreightOutMicros: 5_000_000, Lines: []*eventv1.ShippedLine{{Line: 1, Lot: "D-2", Quantity: 2_000_000},
				{Line: 2, Lot: "N-1", Quantity: 2_000_000}}, Effective: at("2024-10-06T08:00:00Z")}},
		{small, commandID("returns.csv", "T-1"), &inventoryv1.ReturnGoodsRequest{ReturnId: "T-1", Shipment: "X-1", Lot: "V-1",
			Claimant: claimant("returns.csv", "V-1"), Quantity: 1_000_000, Effective: at("2024-10-07T08:00:00Z")}},
	} {
		got := c.plant.commands[c.id].request
		if got == nil {
			t.Errorf("no command %s like %v was sent", c.id, c.want)
			continue
		}
		if diff := cmp.Diff(c.want, got, protocmp.Transform(), ignoreID(got)); diff != "" {
			t.Errorf("%T (-want +got):\n%s", got, diff)
		}
	}
}

// ignoreID leaves the command id out, which names the command already.
func ignoreID(m proto.Message) cmp.Option { return protocmp.IgnoreFields(m, "command_id") }
