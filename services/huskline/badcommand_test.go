package main

import (
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// refusal is a command that breaks a rule, and what its refusal must name.
type refusal struct {
	name string
	send func(t *testing.T) error
	kind fault.Kind
	says []string
}

// badCommands breaks the rules at the services' own doors, past the importer's checks. It catches a rule that only the importer knows, a refusal that
// names neither thing nor limit, and one that leaves something behind.
func badCommands(t *testing.T, _ *planttest.One, tr *trade) {
	good := tr.delivery("q-D1", 1_000, 1_000_000, 1)
	done(t, tr.intake.RecordDelivery, good)
	done(t, tr.intake.RecordDelivery, custom(tr.delivery("q-K1", 500, 0, 1)))
	done(t, tr.production.RecordRun, tr.pass("q-R1", "shell", 2, 0, input("q-D1", 400), output("q-N1", "KERNEL", 390)))
	done(t, tr.inventory.ShipGoods, tr.sale("q-X1", 6, shipped("q-D1", 500)))
	before := tr.ask(t, "balance")
	for _, tt := range append(tr.badDeliveries(good), append(tr.badRuns(), tr.badSales()...)...) {
		t.Run(tt.name, func(t *testing.T) {
			err := tt.send(t)
			if fault.KindOf(err) != tt.kind {
				t.Errorf("%v (kind %d); want kind %d", err, fault.KindOf(err), tt.kind)
			}
			for _, word := range tt.says {
				if err == nil || !strings.Contains(err.Error(), word) {
					t.Errorf("%q is not in the refusal: %v", word, err)
				}
			}
		})
	}
	if after := tr.ask(t, "balance"); after != before {
		t.Errorf("the plant has changed:\n%s\nwas:\n%s", after, before)
	}
}

// deliver is a delivery with something changed, under an id of its own.
func (tr *trade) deliver(change func(*intakev1.RecordDeliveryRequest)) func(*testing.T) error {
	return func(t *testing.T) error {
		req := tr.delivery("q-D9", 1_000, 1_000_000, 1)
		req.CommandId = uuid.NewString()
		change(req)
		_, err := send(t, tr.intake.RecordDelivery, req)
		return err
	}
}

func (tr *trade) badDeliveries(good *intakev1.RecordDeliveryRequest) []refusal {
	gross := func(digits, unit string) func(*testing.T) error {
		return tr.deliver(func(r *intakev1.RecordDeliveryRequest) {
			r.Delivery.Weighings[0].Digits, r.Delivery.Weighings[0].Unit = digits, unit
		})
	}
	return []refusal{
		{"reused lot code", tr.deliver(func(r *intakev1.RecordDeliveryRequest) { r.Delivery.Lot = "q-D1" }), fault.KindConflict, []string{"q-D1"}},
		{"our shape, wrong check character", tr.deliver(func(r *intakev1.RecordDeliveryRequest) { r.Delivery.Lot = "D24ABCDEFZ" }), fault.KindInvalid, []string{"D24ABCDEFZ", "check"}},
		{"net of zero", gross("100", "LBR"), fault.KindInvalid, []string{"net", "0"}},
		{"tare above gross", gross("99.999", "LBR"), fault.KindInvalid, []string{"tare"}},
		{"wrong unit", gross("1100", "PND"), fault.KindInvalid, []string{"PND", "LBR"}},
		{"thousands separator", gross("1,100", "LBR"), fault.KindInvalid, []string{"1,100"}},
		{"exponent", gross("1.1e3", "LBR"), fault.KindInvalid, []string{"1.1e3"}},
		{"full-width digits", gross("１１００", "LBR"), fault.KindInvalid, []string{"１１００"}},
		{"unknown party", tr.deliver(func(r *intakev1.RecordDeliveryRequest) { r.Delivery.Party = "q-nobody" }), fault.KindNotFound, []string{"q-nobody"}},
		{"unknown item", tr.deliver(func(r *intakev1.RecordDeliveryRequest) { r.Delivery.Item = "q-nothing" }), fault.KindNotFound, []string{"q-nothing"}},
		{"six minutes ahead", tr.deliver(func(r *intakev1.RecordDeliveryRequest) {
			r.Effective = timestamppb.New(time.Now().Add(6 * time.Minute))
		}),
			fault.KindPrecondition, []string{"5 minutes"}},
		{"same command id, another message", func(t *testing.T) error {
			again := proto.Clone(good).(*intakev1.RecordDeliveryRequest)
			again.Delivery.FreightMicros++
			_, err := send(t, tr.intake.RecordDelivery, again)
			return err
		}, fault.KindConflict, []string{good.GetCommandId()}},
		{"correction that undercuts what was used", func(t *testing.T) error {
			_, err := send(t, tr.intake.CorrectDelivery, &intakev1.CorrectDeliveryRequest{
				CommandId: uuid.NewString(), Lot: "q-D1", Delivery: tr.delivery("q-D1", 899, 1_000_000, 1).GetDelivery(), Reason: "keyed wrong",
			})
			return err
		}, fault.KindPrecondition, []string{"q-D1", "same set", "pay weight"}},
		{"voiding what was used", func(t *testing.T) error {
			_, err := send(t, tr.intake.VoidDelivery, &intakev1.VoidDeliveryRequest{CommandId: uuid.NewString(), Lot: "q-D1", Reason: "never came"})
			return err
		}, fault.KindPrecondition, []string{"q-D1"}},
		{"final price of custom nuts", func(t *testing.T) error {
			_, err := send(t, tr.intake.SettlePrice, tr.settle("q-K1", 1_000_000, tr.at(3, 0)))
			return err
		}, fault.KindPrecondition, []string{"q-K1"}},
	}
}

func (tr *trade) badRuns() []refusal {
	run := func(day int, lines ...any) func(*testing.T) error {
		return func(t *testing.T) error {
			req := tr.pass("q-R9", "shell", day, 0, lines...)
			req.CommandId = uuid.NewString()
			_, err := send(t, tr.production.RecordRun, req)
			return err
		}
	}
	return []refusal{
		{"unknown lot", run(2, input("q-D8", 1), output("q-N9", "KERNEL", 1)), fault.KindNotFound, []string{"q-D8"}},
		{"below zero now", run(7, input("q-D1", 101), output("q-N9", "KERNEL", 1)), fault.KindPrecondition, []string{"q-D1", "100"}},
		{"below zero at a later moment", run(2, input("q-D1", 101), output("q-N9", "KERNEL", 1)), fault.KindPrecondition, []string{"q-D1", "q-X1", "499", "500"}},
		{"outputs above inputs", run(2, input("q-D1", 10), output("q-N9", "KERNEL", 11)), fault.KindPrecondition, []string{"q-R9", "11", "10", "reason"}},
		{"another owner's lot", run(2, input("q-D1", 10), input("q-K1", 10), output("q-N9", "KERNEL", 1)), fault.KindPrecondition, []string{"q-K1", "never share a run"}},
		{"fed from its own outputs", run(2, input("q-D1", 10), input("q-N9", 1), output("q-N9", "KERNEL", 5)), fault.KindPrecondition, []string{"q-R9"}},
		{"before the lot existed", run(0, input("q-D1", 1), output("q-N9", "KERNEL", 1)), fault.KindPrecondition, []string{"q-D1", "before"}},
		{"reused output code", run(2, input("q-D1", 10), output("q-K1", "KERNEL", 5)), fault.KindConflict, []string{"q-K1"}},
		{"some main outputs priced and some not", run(2, input("q-D1", 10), output("q-N9", "KERNEL", 5), output("q-N8", "HALVES", 4)), fault.KindPrecondition, []string{"q-R9", "price"}},
		{"run code in use", func(t *testing.T) error {
			req := tr.pass("q-R1", "shell", 2, 0, input("q-D1", 1), output("q-N9", "KERNEL", 1))
			req.CommandId = uuid.NewString()
			_, err := send(t, tr.production.RecordRun, req)
			return err
		}, fault.KindConflict, []string{"q-R1"}},
		{"unknown stage", func(t *testing.T) error {
			_, err := send(t, tr.production.OpenRun, &productionv1.OpenRunRequest{CommandId: uuid.NewString(), Run: "q-R9", Stage: "polish", Start: tr.at(2, 0)})
			return err
		}, fault.KindNotFound, []string{"polish"}},
	}
}

func (tr *trade) badSales() []refusal {
	ship := func(day int, change func(*inventoryv1.ShipGoodsRequest), lines ...*eventv1.ShippedLine) func(*testing.T) error {
		return func(t *testing.T) error {
			req := tr.sale("q-X9", day, lines...)
			req.CommandId = uuid.NewString()
			if change != nil {
				change(req)
			}
			_, err := send(t, tr.inventory.ShipGoods, req)
			return err
		}
	}
	return []refusal{
		{"sale of an unknown lot", ship(3, nil, shipped("q-D8", 1)), fault.KindNotFound, []string{"q-D8"}},
		{"sale below zero", ship(7, nil, shipped("q-N1", 391)), fault.KindPrecondition, []string{"q-N1", "390"}},
		{"one of two lines below zero", ship(7, nil, shipped("q-N1", 1), shipped("q-D1", 101)), fault.KindPrecondition, []string{"q-D1", "100"}},
		{"sale of another owner's lot", ship(3, nil, shipped("q-K1", 1)), fault.KindPrecondition, []string{"q-K1", "belongs to"}},
		{"sale before the lot existed", ship(1, nil, shipped("q-N1", 1)), fault.KindPrecondition, []string{"q-N1", "before"}},
		{"sale ahead of the clock", ship(3, func(r *inventoryv1.ShipGoodsRequest) { r.Effective = timestamppb.New(time.Now().Add(6 * time.Minute)) }, shipped("q-N1", 1)),
			fault.KindPrecondition, []string{"5 minutes"}},
		{"unknown customer", ship(3, func(r *inventoryv1.ShipGoodsRequest) { r.Consignee = "q-nobody" }, shipped("q-N1", 1)), fault.KindNotFound, []string{"q-nobody"}},
		{"shipment number in use", ship(3, func(r *inventoryv1.ShipGoodsRequest) { r.Shipment = "q-X1" }, shipped("q-N1", 1)), fault.KindConflict, []string{"q-X1"}},
		{"adjustment below zero", func(t *testing.T) error {
			_, err := send(t, tr.inventory.AdjustLot, &inventoryv1.AdjustLotRequest{
				CommandId: uuid.NewString(), Adjustment: "q-A9", Lot: "q-N1", Delta: -lb(391), Reason: "damage", Effective: tr.at(7, 0),
			})
			return err
		}, fault.KindPrecondition, []string{"q-N1", "390"}},
		{"adjustment for an unknown reason", func(t *testing.T) error {
			_, err := send(t, tr.inventory.AdjustLot, &inventoryv1.AdjustLotRequest{
				CommandId: uuid.NewString(), Adjustment: "q-A9", Lot: "q-N1", Delta: -1, Reason: "thirst", Effective: tr.at(7, 0),
			})
			return err
		}, fault.KindNotFound, []string{"thirst"}},
		{"claim of a code that another has", func(t *testing.T) error {
			_, err := send(t, tr.inventory.ClaimLots, &inventoryv1.ClaimLotsRequest{CommandId: uuid.NewString(), Claims: []*inventoryv1.Claim{
				{Lot: "q-free", Claimant: uuid.NewString()}, {Lot: "q-D1", Claimant: uuid.NewString()},
			}})
			return err
		}, fault.KindConflict, []string{"q-D1"}},
	}
}
