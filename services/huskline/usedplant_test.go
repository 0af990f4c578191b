package main

import (
	"strings"
	"testing"

	"huskline/internal/planttest"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// heads is where the three services stand.
func (tr *trade) heads(t *testing.T) [3]string {
	t.Helper()
	return [3]string{
		done(t, tr.intake.GetHead, &intakev1.GetHeadRequest{}).GetHead().GetAt().String(), done(t, tr.inventory.GetHead, &inventoryv1.GetHeadRequest{}).GetHead().GetAt().String(),
		done(t, tr.production.GetHead, &productionv1.GetHeadRequest{}).GetHead().GetAt().String(),
	}
}

// usedPlant imports folders into a plant that has recorded other things under their codes and numbers: all that is in the way is listed, nothing is
// sent, and the codes of the folder are still free. It catches rows that are sent beside refused ones, weighings sent beside refused rows, claims of
// codes that stay, and a number that is found in use only once what it rests on was sent.
func usedPlant(t *testing.T, up *planttest.One, tr *trade) {
	done(t, tr.intake.RecordDelivery, tr.delivery("w-OWN", 1_000, 1_000_000, 1))
	done(t, tr.inventory.ShipGoods, func() *inventoryv1.ShipGoodsRequest {
		req := tr.sale("w-X-1", 3, shipped("w-OWN", 1)) // by hand, under a number of the folder
		return req
	}())
	done(t, tr.inventory.AdjustLot, &inventoryv1.AdjustLotRequest{
		CommandId: id("w adjust"), Adjustment: "w-A-1", Lot: "w-OWN", Delta: -lb(1), Reason: "moisture", Effective: tr.at(2, 0),
	})
	done(t, tr.production.RecordRun, tr.pass("w-R-1", "shell", 2, 0, input("w-OWN", 10), output("w-N-2", "KERNEL", 5))) // a code of the folder
	before, heads := tr.ask(t, "balance"), tr.heads(t)
	folder := goodFolder("w-")
	folder["weighings.csv"] += "g-T1,1,2024-10-01T08:00:00Z,1100.001,LBR,gross,\n" // known as 1100.000
	r := command(t, "--data", up.Dir, "--format", "json", "import", planttest.WriteFiles(t, folder))
	if r.Code != exitRefused || !strings.Contains(r.Err, "nothing was sent") {
		t.Errorf("exit %d, want 2 and nothing sent: %s", r.Code, r.Err)
	}
	for _, says := range []string{
		"adjustments.csv:2: adjustment w-A-1: this number is in use already (fact_known)",
		"runs.csv:2: run w-R-1", "run_outputs.csv:3", "w-N-2", "shipments.csv:2: shipment w-X-1", "(shipment_known)", "weighings.csv:4: weighing g-T1/1", "(sequence_taken)",
	} {
		if !strings.Contains(r.Err, says) {
			t.Errorf("%q is not in what it says: %s", says, r.Err)
		}
	}
	var o importObject
	planttest.Decode(t, r.Out, &o)
	if !o.Withheld || o.Sent != 0 || o.Stored != 0 || o.Refused+o.NotSent != o.Rows {
		t.Errorf("report = %+v, want every row refused or not sent", o)
	}
	if after := tr.ask(t, "balance"); after != before || tr.heads(t) != heads {
		t.Errorf("the plant has changed: %s, %v\nwas: %s, %v", after, tr.heads(t), before, heads)
	}
	// Its codes are free: somebody else may claim one.
	done(t, tr.intake.RecordDelivery, tr.delivery("w-D-1", 1_000, 1_000_000, 1))

	heldLot(t, up, tr)
}

// heldLot imports a season in two parts, the second of which ships from a lot that is held by then: it is withheld, and goes on once the hold is gone.
func heldLot(t *testing.T, up *planttest.One, tr *trade) {
	whole := goodFolder("v-")
	first := goodFolder("v-")
	first["shipments.csv"], _, _ = strings.Cut(first["shipments.csv"], "v-X-1")
	if r := command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, first)); r.Code != exitDone {
		t.Fatalf("exit %d: %s", r.Code, r.Err)
	}
	hold := done(t, tr.inventory.PlaceHold, &inventoryv1.PlaceHoldRequest{
		CommandId: id("v hold"), Lot: "v-N-1", Class: eventv1.HoldClass_HOLD_CLASS_SAFETY, Reason: "looked wrong", Effective: tr.at(2, 0),
	}).GetHold()
	heads := tr.heads(t)
	r := command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, whole))
	if r.Code != exitRefused || !strings.Contains(r.Err, "shipments.csv:2: shipment v-X-1") || !strings.Contains(r.Err, "(lot_held)") || tr.heads(t) != heads {
		t.Errorf("exit %d, heads %v then %v; want the shipment refused as lot_held and nothing sent: %s", r.Code, heads, tr.heads(t), r.Err)
	}
	done(t, tr.inventory.ReleaseHold, &inventoryv1.ReleaseHoldRequest{CommandId: id("v release"), Hold: hold, Reason: "it was not"})
	if r := command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, whole)); r.Code != exitDone {
		t.Errorf("after the release: exit %d: %s", r.Code, r.Err)
	}
}
