package checker_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/checker"
	"huskline/internal/fault"
	"huskline/internal/rpc"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// trade is a small business on a running plant that uses every command once at least.
type trade struct {
	checker.Clients
	visits  intakev1.VisitServiceClient
	t       *testing.T
	start   time.Time
	journal []checker.Answered
}

func openTrade(t *testing.T, addr, token string) *trade {
	t.Helper()
	conn, err := rpc.Dial(rpc.DialConfig{Target: addr, Token: token})
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return &trade{t: t, visits: intakev1.NewVisitServiceClient(conn), start: time.Now().Add(-20 * 24 * time.Hour).UTC().Truncate(time.Second), Clients: checker.Clients{
		Intake: intakev1.NewIntakeServiceClient(conn), Inventory: inventoryv1.NewInventoryServiceClient(conn),
		Production: productionv1.NewProductionServiceClient(conn),
	}}
}

func id(name string) string { return uuid.NewSHA1(uuid.NameSpaceOID, []byte(name)).String() }

func lb(n int64) int64 { return n * 1_000_000 }

func (tr *trade) at(day, hour int) *timestamppb.Timestamp {
	return timestamppb.New(tr.start.Add(time.Duration(day*24+hour) * time.Hour))
}

type request interface {
	proto.Message
	GetCommandId() string
}

// done sends a command until it is answered OK, and puts it into the journal.
func done[Q request, A proto.Message](tr *trade, method func(context.Context, Q, ...grpc.CallOption) (A, error), req Q) A {
	tr.t.Helper()
	ctx, cancel := context.WithTimeout(tr.t.Context(), 40*time.Second)
	defer cancel()
	for {
		answer, err := method(ctx, req)
		err = rpc.FromStatus(err)
		if err == nil {
			tr.journal = append(tr.journal, checker.Accepted(req, answer))
			return answer
		}
		if fault.KindOf(err) != fault.KindUnavailable || ctx.Err() != nil {
			tr.t.Fatalf("%T %v: %v", req, req, err)
		}
	}
}

// run is all of the trade; it says about 300 facts.
func (tr *trade) run() {
	tr.register()
	tr.weigh()
	tr.yard()
	tr.receive()
	tr.process()
	tr.openRun()
	tr.bins()
	tr.sell()
	tr.hold()
	tr.count()
	tr.correct()
	tr.refuse()
	tr.tokens()
}

const (
	nuts    = 40 // deliveries
	cracked = 30 // of them through a run
)

func (tr *trade) register() {
	for code, role := range map[string]eventv1.PartyRole{
		"G1": eventv1.PartyRole_PARTY_ROLE_SELLER, "K1": eventv1.PartyRole_PARTY_ROLE_CUSTOM_CLIENT, "C1": eventv1.PartyRole_PARTY_ROLE_CUSTOMER,
		"S1": eventv1.PartyRole_PARTY_ROLE_SUPPLIER,
	} {
		for _, version := range []string{"first", "second"} {
			done(tr, tr.Intake.RegisterParty, &intakev1.RegisterPartyRequest{CommandId: id("party " + code + version), Party: &eventv1.PartyChanged{
				Party: code, Name: "Party " + code + " " + version, Roles: []eventv1.PartyRole{role}, Address: "1 Grove Road", Phone: "555-0100"}})
		}
	}
	price := int64(5_000_000)
	for _, i := range []*eventv1.ItemChanged{
		{Item: "NUT", Kind: eventv1.ItemKind_ITEM_KIND_IN_SHELL}, {Item: "KERNEL", Kind: eventv1.ItemKind_ITEM_KIND_KERNEL, SplitOffMicrosPerLb: &price},
		{Item: "SHELL", Kind: eventv1.ItemKind_ITEM_KIND_BYPRODUCT, SplitOffMicrosPerLb: proto.Int64(15_000)},
		{Item: "BAR", Kind: eventv1.ItemKind_ITEM_KIND_FINISHED, Allergens: []string{"pecan", "milk"}},
		{Item: "SUGAR", Kind: eventv1.ItemKind_ITEM_KIND_INGREDIENT},
	} {
		i.Name, i.Measure = "Item "+i.Item, eventv1.Measure_MEASURE_WEIGHT
		done(tr, tr.Intake.RegisterItem, &intakev1.RegisterItemRequest{CommandId: id("item " + i.Item), Item: i})
	}
	for _, p := range []*inventoryv1.Place{{Place: "P1", Name: "Cold room 1"}, {Place: "B1", Name: "Bin 1", Bin: true}, {Place: "B2", Name: "Bin 2", Bin: true}} {
		done(tr, tr.Inventory.RegisterPlace, &inventoryv1.RegisterPlaceRequest{CommandId: id("place " + p.Place), Place: p})
	}
	done(tr, tr.Inventory.RegisterReason, &inventoryv1.RegisterReasonRequest{CommandId: id("reason"), Reason: "mice",
		Account: &eventv1.LossAccount{Name: "damage", WritesOff: true}})
	done(tr, tr.Production.RegisterStage, &productionv1.RegisterStageRequest{CommandId: id("stage"), Stage: &productionv1.Stage{Stage: "roast", Name: "Roast"}})
}

func (tr *trade) weigh() {
	done(tr, tr.Intake.RegisterScale, &intakev1.RegisterScaleRequest{CommandId: id("scale"), Scale: &intakev1.Scale{
		Scale: "W1", AccuracyClass: "III L", CapacityMicropounds: lb(80_000), DivisionMicropounds: lb(20), InService: true}})
	var all []*intakev1.Reading
	for n := range int64(41) {
		all = append(all, &intakev1.Reading{Scale: "W1", Sequence: n + 1, Time: tr.at(1, int(n%12)), Digits: fmt.Sprint(1000 + 20*n), Unit: "LBR",
			Kind: intakev1.ReadingKind_READING_KIND_GROSS, Reference: fmt.Sprint("ticket ", n)})
	}
	other := proto.Clone(all[3]).(*intakev1.Reading)
	other.Digits = "2000"
	for i, batch := range [][]*intakev1.Reading{all[:20], append(all[18:41:41], other), all[:5]} {
		done(tr, tr.Intake.PostReadings, &intakev1.PostReadingsRequest{CommandId: id(fmt.Sprint("readings ", i)), Readings: batch})
	}
	done(tr, tr.Intake.PostReadings, &intakev1.PostReadingsRequest{CommandId: id("historic"), Historic: true, Readings: []*intakev1.Reading{
		{Scale: "W2", Sequence: 7, Time: tr.at(0, 1), Digits: "500.25", Unit: "KGM", Kind: intakev1.ReadingKind_READING_KIND_TARE}}})
}

// yard is a vehicle's stored tare, a visit that ends without its second weighing, and a check of the scale with test weights.
func (tr *trade) yard() {
	done(tr, tr.visits.RegisterVehicle, &intakev1.RegisterVehicleRequest{CommandId: id("vehicle"), Plate: "T1", TareDays: 60})
	done(tr, tr.visits.StoreTare, &intakev1.StoreTareRequest{CommandId: id("tare"), Plate: "T1", Digits: "26000", Unit: "LBR", Time: tr.at(0, 6),
		Reason: "paper of the weighmaster", Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, DriverOn: true})
	visit := done(tr, tr.visits.WeighVehicle, &intakev1.WeighVehicleRequest{CommandId: id("weigh vehicle"), Plate: "T1",
		Draft: eventv1.DraftKind_DRAFT_KIND_SINGLE, DriverOn: true, Weights: []*intakev1.WeightSource{{Scale: "W1", Sequence: 41}}})
	done(tr, tr.visits.CloseVisit, &intakev1.CloseVisitRequest{CommandId: id("close visit"), Visit: visit.GetVisit(), Reason: "drove off"})
	done(tr, tr.Intake.RecordScaleCheck, &intakev1.RecordScaleCheckRequest{CommandId: id("check"), Scale: "W1",
		Kind: intakev1.ScaleCheckKind_SCALE_CHECK_KIND_MAINTENANCE, Unit: "LBR", Effective: tr.at(1, 13), By: "K. Weigh",
		Loads: []*intakev1.TestLoad{{Applied: "10000", Indicated: "10000"}, {Applied: "20000", Indicated: "20020"}}})
}

func lotName(kind string, n int) string { return fmt.Sprintf("%s-%02d", kind, n) }

func (tr *trade) delivery(n int, pounds int64) *intakev1.DeliveryFacts {
	d := &intakev1.DeliveryFacts{
		Lot: lotName("D", n), Party: "G1", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: "NUT", PriceMicrosPerLb: proto.Int64(1_250_000),
		Variety: "Desirable", CropYear: 2024, FreightMicros: 12_500_000, Carrier: "own truck", Document: fmt.Sprint("ticket ", n),
		Charges: []*eventv1.LandedCharge{{Name: "assessment", AmountMicros: 250_000}},
		Weighings: []*intakev1.Weighing{
			{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Scale: "W1", Sequence: int64(n + 1), Digits: weight.FormatDecimal(lb(pounds+100), 6, 0), Unit: "LBR", Time: tr.at(1, n%12)},
			{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: "100", Unit: "LBR"},
		},
	}
	if n%5 == 4 {
		d.Ownership, d.Party, d.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_CUSTOM, "K1", nil
	}
	return d
}

func (tr *trade) receive() {
	for n := range nuts {
		done(tr, tr.Intake.RecordDelivery, &intakev1.RecordDeliveryRequest{CommandId: id(fmt.Sprint("delivery ", n)), Effective: tr.at(1, 0), Delivery: tr.delivery(n, 1000)})
	}
	done(tr, tr.Intake.ReceiveIngredient, &intakev1.ReceiveIngredientRequest{CommandId: id("sugar"), Lot: "S-00", Supplier: "S1", Item: "SUGAR",
		Quantity: lb(500), CostMicros: 250_000_000, SupplierLot: "LOT 7", BestBy: "2031-06-30", Packaging: "bags", Effective: tr.at(1, 3)})
	for n := range 6 {
		done(tr, tr.Intake.SettlePrice, &intakev1.SettlePriceRequest{CommandId: id(fmt.Sprint("settle ", n)), Lot: lotName("D", n*5),
			Settlement: lotName("SE", n), PriceMicrosPerLb: 1_400_000, Effective: tr.at(3, 0)})
	}
}

func output(lot, item string, pounds int64, role eventv1.OutputRole) *productionv1.OutputLine {
	return &productionv1.OutputLine{Lot: lot, Item: item, Quantity: lb(pounds), Role: role}
}

func (tr *trade) crack(n int, in int64) *productionv1.RunFacts {
	return &productionv1.RunFacts{Run: lotName("R", n), Stage: "shell", Line: "1", Start: tr.at(2, 1), End: tr.at(2, 2),
		Inputs: []*productionv1.InputLine{{Lot: lotName("D", n), Quantity: lb(in), MoisturePpm: proto.Int64(52_000)}},
		Outputs: []*productionv1.OutputLine{output(lotName("N", n), "KERNEL", in/2, eventv1.OutputRole_OUTPUT_ROLE_MAIN),
			output(lotName("Y", n), "SHELL", in/2-10, eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT)},
		Charges: []*eventv1.ChargePosted{{Charge: lotName("H", n), Kind: eventv1.ChargeKind_CHARGE_KIND_LABOUR, HoursMillionths: 1_500_000, RateMicros: 30_000_000}}}
}

func (tr *trade) process() {
	for n := range cracked {
		done(tr, tr.Production.RecordRun, &productionv1.RecordRunRequest{CommandId: id(fmt.Sprint("run ", n)), Run: tr.crack(n, 800)})
	}
	for n := range 8 {
		done(tr, tr.Production.RecordRun, &productionv1.RecordRunRequest{CommandId: id(fmt.Sprint("bars ", n)), Run: &productionv1.RunFacts{
			Run: lotName("C", n), Stage: "cook", Start: tr.at(3, 1), End: tr.at(3, 2),
			Inputs:  []*productionv1.InputLine{{Lot: lotName("N", n*5/2/5*5), Quantity: lb(40)}, {Lot: "S-00", Quantity: lb(20)}},
			Outputs: []*productionv1.OutputLine{output(lotName("F", n), "BAR", 58, eventv1.OutputRole_OUTPUT_ROLE_MAIN)}}})
	}
	for i, replaces := range []string{"", "H-extra0"} {
		done(tr, tr.Production.PostCharge, &productionv1.PostChargeRequest{CommandId: id(fmt.Sprint("charge ", i)), Effective: tr.at(4, i),
			Charge: &eventv1.ChargePosted{Charge: fmt.Sprint("H-extra", i), Runs: []string{"R-00", "R-01"}, Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER,
				AmountMicros: 7_000_000, Replaces: replaces}})
	}
}

// openRun is a run posted piece by piece, in containers, with its own contribution table.
func (tr *trade) openRun() {
	done(tr, tr.Production.OpenRun, &productionv1.OpenRunRequest{CommandId: id("open"), Run: "O-00", Stage: "sort", Start: tr.at(5, 0), Recipe: "S"})
	for i, n := range []int{10, 11} {
		done(tr, tr.Production.DumpInput, &productionv1.DumpInputRequest{CommandId: id(fmt.Sprint("dump ", n)), Run: "O-00",
			Input: &productionv1.InputLine{Lot: lotName("N", n), Quantity: lb(100), DumpedFrom: tr.at(5, 1+i), DumpedTo: tr.at(5, 2+i)}})
	}
	for i, container := range []string{"BX-1", "BX-2"} {
		done(tr, tr.Production.FillOutput, &productionv1.FillOutputRequest{CommandId: id("fill " + container), Run: "O-00", Output: &productionv1.OutputLine{
			Lot: "P-00", Item: "KERNEL", Quantity: lb(90), Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN, FilledFrom: tr.at(5, 4+i), FilledTo: tr.at(5, 5+i), Container: container}})
	}
	done(tr, tr.Production.CompleteRun, &productionv1.CompleteRunRequest{CommandId: id("complete"), Run: "O-00", End: tr.at(5, 8),
		Contributions: []*eventv1.Contribution{{Input: "N-10", Output: "P-00", Quantity: lb(95)}, {Input: "N-11", Output: "P-00", Quantity: lb(85)}}})
	done(tr, tr.Production.OpenRun, &productionv1.OpenRunRequest{CommandId: id("open 2"), Run: "O-01", Stage: "sort", Start: tr.at(5, 0)})
}

func (tr *trade) bins() {
	for i, n := range []int{33, 36} {
		done(tr, tr.Inventory.RecordPour, &inventoryv1.RecordPourRequest{CommandId: id(fmt.Sprint("pour ", i)), Pour: lotName("PO", i), BinLot: "B-00",
			Lot: lotName("D", n), Quantity: lb(300), BinPlace: "B1", Effective: tr.at(3, i)})
	}
	done(tr, tr.Inventory.MoveLot, &inventoryv1.MoveLotRequest{CommandId: id("draw"), Movement: "M-00", Lot: "B-00", Quantity: lb(550), FromPlace: "B1",
		ToPlace: "P1", Effective: tr.at(4, 0)})
	done(tr, tr.Inventory.EmptyBin, &inventoryv1.EmptyBinRequest{CommandId: id("empty"), Emptying: "E-00", BinLot: "B-00", Place: "B1", Effective: tr.at(4, 1)})
	done(tr, tr.Inventory.MoveLot, &inventoryv1.MoveLotRequest{CommandId: id("move box"), Movement: "M-01", Lot: "P-00", Quantity: lb(90), ToPlace: "P1",
		Containers: []string{"BX-2"}, Effective: tr.at(6, 0)})
	done(tr, tr.Inventory.AdjustLot, &inventoryv1.AdjustLotRequest{CommandId: id("adjust"), Adjustment: "A-00", Lot: "D-37", Delta: -lb(2), Reason: "moisture",
		Effective: tr.at(4, 0)})
}

func (tr *trade) sell() {
	for n := range cracked {
		req := &inventoryv1.ShipGoodsRequest{CommandId: id(fmt.Sprint("ship ", n)), Shipment: lotName("X", n), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE,
			Consignee: "C1", Channel: "bulk", Carrier: "road", Document: "bill", FreightOutMicros: 9_000_000, Effective: tr.at(7, 0),
			Lines: []*eventv1.ShippedLine{{Line: 1, Lot: lotName("N", n), Quantity: lb(50), PriceMicros: proto.Int64(6_000_000)}}}
		if n%5 == 4 {
			req.Kind, req.Consignee = eventv1.ShipmentKind_SHIPMENT_KIND_RETURN_TO_OWNER, "K1"
		}
		done(tr, tr.Inventory.ShipGoods, req)
	}
	done(tr, tr.Inventory.ShipGoods, &inventoryv1.ShipGoodsRequest{CommandId: id("ship bars"), Shipment: "X-F", Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE,
		Consignee: "C1", Effective: tr.at(7, 1), Lines: []*eventv1.ShippedLine{{Line: 1, Lot: "F-06", Quantity: lb(20)}, {Line: 2, Lot: "P-00", Quantity: lb(90), Containers: []string{"BX-1"}}}})
	done(tr, tr.Inventory.ReturnGoods, &inventoryv1.ReturnGoodsRequest{CommandId: id("return"), ReturnId: "RT-00", Shipment: "X-01", Line: 1, Lot: "V-00",
		Quantity: lb(5), Effective: tr.at(8, 0)})
	done(tr, tr.Intake.BuyLot, &intakev1.BuyLotRequest{CommandId: id("buy ticket"), Purchase: "BU-00", Lot: "D-39", PriceMicros: 900_000_000, Effective: tr.at(8, 1)})
	done(tr, tr.Intake.BuyLot, &intakev1.BuyLotRequest{CommandId: id("buy kernel"), Purchase: "BU-01", Lot: "N-09", NewLot: "NB-09", Quantity: lb(60),
		PriceMicros: 300_000_000, Effective: tr.at(8, 2)})
}

func (tr *trade) hold() {
	place := func(hold, lot string, class eventv1.HoldClass, recall bool) {
		done(tr, tr.Inventory.PlaceHold, &inventoryv1.PlaceHoldRequest{CommandId: id("hold " + hold), Hold: hold, Lot: lot, Class: class, Reason: "to be tested",
			Recall: recall, Effective: tr.at(9, 0)})
	}
	place("HD-0", "D-00", eventv1.HoldClass_HOLD_CLASS_SAFETY, true)
	place("HD-1", "N-12", eventv1.HoldClass_HOLD_CLASS_COMMERCIAL, false)
	place("HD-2", "D-13", eventv1.HoldClass_HOLD_CLASS_SAFETY, false)
	tr.spread("HD-0")
	done(tr, tr.Inventory.ExcludeFromHold, &inventoryv1.ExcludeFromHoldRequest{CommandId: id("exclude"), Hold: "HD-0", Lot: "Y-00", Reason: "burnt"})
	done(tr, tr.Inventory.DecideDisposition, &inventoryv1.DecideDispositionRequest{CommandId: id("decide"), DispositionId: "DI-00", Hold: "HD-0", Lot: "N-00",
		Decision: eventv1.Disposition_DISPOSITION_REWORK, Quantity: lb(30), Reason: "roast it"})
	done(tr, tr.Production.RecordRun, &productionv1.RecordRunRequest{CommandId: id("rework"), Run: &productionv1.RunFacts{Run: "Q-00", Stage: "roast",
		Start: tr.at(10, 0), End: tr.at(10, 1), Inputs: []*productionv1.InputLine{{Lot: "N-00", Quantity: lb(25)}},
		Outputs: []*productionv1.OutputLine{output("Q-N", "KERNEL", 24, eventv1.OutputRole_OUTPUT_ROLE_MAIN)}}})
	done(tr, tr.Inventory.ReleaseHold, &inventoryv1.ReleaseHoldRequest{CommandId: id("release"), Hold: "HD-2", Reason: "clean"})
}

// spread waits until a hold has reached all descendants.
func (tr *trade) spread(hold string) {
	for limit := time.Now().Add(20 * time.Second); time.Now().Before(limit); {
		answer, err := tr.Inventory.ListHolds(tr.t.Context(), &inventoryv1.ListHoldsRequest{})
		require.NoError(tr.t, err)
		for _, h := range answer.GetHolds() {
			if h.GetHold() == hold && !h.GetSpreading() {
				return
			}
		}
	}
	tr.t.Fatalf("hold %s spreads without end", hold)
}

func (tr *trade) count() {
	sheet := done(tr, tr.Inventory.OpenCount, &inventoryv1.OpenCountRequest{CommandId: id("count"), Place: "P1", Effective: tr.at(11, 0)})
	for _, lot := range sheet.GetLots() {
		counted := lb(540)
		if lot != "B-00" {
			counted = lb(90)
		}
		done(tr, tr.Inventory.RecordCount, &inventoryv1.RecordCountRequest{CommandId: id("count " + lot), Sheet: sheet.GetSheet(), Lot: lot, Counted: counted})
	}
}

func (tr *trade) correct() {
	done(tr, tr.Intake.CorrectDelivery, &intakev1.CorrectDeliveryRequest{CommandId: id("correct 32"), Lot: "D-32", Delivery: tr.delivery(32, 990), Reason: "misread"})
	cheaper := tr.delivery(5, 1000)
	cheaper.PriceMicrosPerLb = proto.Int64(1_200_000)
	done(tr, tr.Intake.CorrectDelivery, &intakev1.CorrectDeliveryRequest{CommandId: id("correct 5"), Lot: "D-05", Delivery: cheaper, Reason: "price"})
	done(tr, tr.Intake.VoidDelivery, &intakev1.VoidDeliveryRequest{CommandId: id("void"), Lot: "D-38", Reason: "never came"})
	run := tr.crack(7, 820)
	run.Charges = nil
	done(tr, tr.Production.CorrectRun, &productionv1.CorrectRunRequest{CommandId: id("correct run"), Run: run, Reason: "scale ticket found"})
}

// refuse asks for what is not there: the refusal is kept by the one who judged and by the one who asked.
func (tr *trade) refuse() {
	run := tr.crack(21, 800)
	run.Run = "R-short"
	run.Outputs = nil
	run.Charges = nil
	_, err := tr.Production.RecordRun(tr.t.Context(), &productionv1.RecordRunRequest{CommandId: id("short"), Run: run})
	require.Equal(tr.t, "stock_short", fault.ReasonOf(rpc.FromStatus(err)))
}

func (tr *trade) tokens() {
	secret := sha256.Sum256([]byte("secret"))
	token := done(tr, tr.Intake.IssueToken, &intakev1.IssueTokenRequest{CommandId: id("token"), Name: "door", Roles: []string{"weigh-post"}, SecretSha256: secret[:],
		Expires: timestamppb.New(time.Now().Add(time.Hour))})
	done(tr, tr.Intake.RevokeToken, &intakev1.RevokeTokenRequest{CommandId: id("revoke"), TokenId: token.GetTokenId()})
}
