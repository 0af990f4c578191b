package inventory_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// correctDelivery has inventory take a version of a delivery, as intake does before it says it.
func (p *plant) correctDelivery(r lot.Received, version int64, voided bool) error {
	_, err := p.correct(&eventv1.LotsCorrected{Deliveries: []*eventv1.DeliveryCorrected{{
		Version: version, Voided: voided, Reason: "x", Now: lotwire.Received(r),
	}}})
	return err
}

// Whose an unused delivery is may be corrected to and fro. The deliberate break it catches: taking the empty balance of a former owner for a
// purchase.
func TestOwnerIsCorrectedToAndFro(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receiveFor("C-1", 100, day(2, 8), "CLIENT")
	require.EqualValues(t, 100, p.onHand("C-1"))
	now := lot.Received{
		Lot: "C-1", Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: 100 * pound, Party: "GROWER", Owner: "CLIENT", Ownership: lot.Custom,
	}
	ours := now
	ours.Owner, ours.Ownership = "", lot.Company
	require.NoError(t, p.correctDelivery(ours, 2, false))
	require.NoError(t, p.correctDelivery(now, 3, false))
	p.intake.say(day(3, 8), lot.DeliveryCorrected{Version: 3, Reason: "x", Now: now}, "C-1")
	_, err := p.peer.PostMovement(t.Context(), &inventoryv1.PostMovementRequest{
		CommandId: uuid.NewString(), Try: 1, Effective: stamp(day(4, 8)),
		Movement: &inventoryv1.PostMovementRequest_Bought{Bought: &eventv1.LotBought{
			Purchase: "P-1", Lot: "C-1", NewLot: "C-1", Owner: "CLIENT", Quantity: 100 * pound,
		}},
	})
	require.NoError(t, err)
	require.Equal(t, "title_passed", reason(p.correctDelivery(now, 4, false)))
	p.receive("Z", 1, day(4, 8))
	require.EqualValues(t, 1, p.onHand("Z"))
	p.quiet()
}

// A delivery that cannot be true waits in quarantine. Intake voids it; it then never was, and nothing of it is left to look at. The code is
// used up.
func TestVoidOfADeliveryInQuarantine(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	r := lot.Received{
		Lot: "D-1", Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: 2_000_000_000 * pound, Party: "GROWER", Ownership: lot.Company,
	}
	at := p.intake.say(day(2, 8), r, "D-1")
	held := func() []*inventoryv1.QuarantinedEvent {
		answer, err := p.as("auditor").ListQuarantine(t.Context(), &inventoryv1.ListQuarantineRequest{})
		require.NoError(t, err)
		return answer.GetEvents()
	}
	require.Eventually(t, func() bool { return len(held()) == 1 }, 20*time.Second, 20*time.Millisecond)
	require.Contains(t, held()[0].GetReason(), "quantity_out_of_range")
	r.Quantity = 100 * pound
	require.Equal(t, "lot_unknown", reason(p.correctDelivery(r, 2, false)), "it is not here to be corrected")
	require.NoError(t, p.correctDelivery(r, 2, true))
	voided := p.intake.say(day(3, 8), lot.DeliveryCorrected{Version: 2, Voided: true, Reason: "x", Now: r}, "D-1")
	p.receive("D-2", 100, day(3, 8))
	require.EqualValues(t, 100, p.onHand("D-2"))
	answer, err := p.as("admin").RetryQuarantine(t.Context(), &inventoryv1.RetryQuarantineRequest{CommandId: uuid.NewString(), At: lotwire.Receipt(at)})
	require.NoError(t, err)
	require.Empty(t, answer.GetReason())
	require.EqualValues(t, 2, answer.GetApplied(), "with what waits behind it, %v", voided)
	_, err = p.ship("D-1", 1, day(5, 8))
	require.Equal(t, "lot_voided", reason(err))
	_, err = p.post(run{id: "R-1", in: map[string]int64{"D-2": 80}, out: map[string]int64{"D-1": 40}, at: day(3, 8)})
	require.Equal(t, "lot_born", reason(err))
	p.quiet()
}
