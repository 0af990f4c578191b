package inventory_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/store"
)

// A decision on a hold locks the hold, then lots; a posting locks lots, then refers to the hold. Neither may wait for the other. The deliberate
// break it catches: a lock on the hold that keeps its key from being referred to.
func TestADecisionOnAHoldStopsNoPosting(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	_, err := p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	p.rest("H-1")
	_, err = p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
		CommandId: uuid.NewString(), Hold: "H-1", Lot: "D-1", Decision: eventv1.Disposition_DISPOSITION_RESORT, Quantity: 50 * pound, Reason: "x",
	})
	require.NoError(t, err)
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	require.NoError(t, p.db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		if _, err := store.New(tx, clock()).Hold(ctx, "H-1"); err != nil {
			return err
		}
		_, err := p.peer.PostMovement(ctx, run{id: "R-1", in: map[string]int64{"D-1": 30}, out: map[string]int64{"K-1": 20}, at: day(3, 8)}.request())
		return err
	}))
	require.Equal(t, []string{"D-1", "K-1"}, p.rest("H-1"))
	p.quiet()
}

// What is kept of a producer is for that producer.
func TestKeptIsForItsProducer(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	read := func(producer lot.Producer) error {
		stream, err := p.peer.ReadKept(t.Context(), &inventoryv1.ReadKeptRequest{Producer: string(producer), Epoch: 1})
		require.NoError(t, err)
		for {
			if _, err := stream.Recv(); err != nil {
				return err
			}
		}
	}
	require.Equal(t, "kept_of_another", reason(read(lot.Intake)))
	require.ErrorContains(t, read(lot.Production), "EOF")
}

// A producer that cannot be asked leaves no judgement, also where an event of it is in quarantine.
func TestNoJudgementWhileAProducerWithQuarantineIsAway(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.intake.say(day(2, 8), lot.Received{
		Lot: "D-9", Source: lot.Delivery, Item: "NUT", Measure: lot.ByWeight, Quantity: 2_000_000_000 * pound, Party: "GROWER", Ownership: lot.Company,
	}, "D-9")
	require.Eventually(t, func() bool {
		answer, err := p.as("auditor").ListQuarantine(t.Context(), &inventoryv1.ListQuarantineRequest{})
		return err == nil && len(answer.GetEvents()) == 1
	}, 20*time.Second, 20*time.Millisecond)
	_, err := p.ship("D-1", 1, day(3, 8))
	require.Equal(t, "lot_unknown", reason(err), "all could be asked: a person looks at the quarantine")
	p.intake.leave(true)
	_, err = p.ship("D-1", 1, day(3, 8))
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	p.intake.leave(false)
	p.receive("D-1", 100, day(2, 8))
	_, err = p.ship("D-1", 1, day(3, 8))
	require.NoError(t, err)
}

// A read names whom it could not ask, and finds nothing missing that such a one may have said. The deliberate break it catches: a read that drops
// what catching up left open.
func TestReadsWhileAProducerIsAway(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	ask := func() (missing [][]string, unknown error) {
		got, err := p.peer.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: "D-1"})
		require.NoError(t, err)
		lots, err := p.as("auditor").ListLots(t.Context(), &inventoryv1.ListLotsRequest{})
		require.NoError(t, err)
		holds, err := p.as("auditor").ListHolds(t.Context(), &inventoryv1.ListHoldsRequest{})
		require.NoError(t, err)
		_, unknown = p.peer.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: "D-9"})
		return [][]string{got.GetMissing(), lots.GetMissing(), holds.GetMissing()}, unknown
	}
	p.intake.leave(true)
	missing, err := ask()
	away := []string{"intake: cannot be reached"}
	require.Equal(t, [][]string{away, away, away}, missing)
	require.Equal(t, fault.KindUnavailable, fault.KindOf(rpc.FromStatus(err)), "%v", err)
	require.Equal(t, "behind", reason(err))
	p.intake.leave(false)
	missing, err = ask()
	require.Equal(t, [][]string{nil, nil, nil}, missing)
	require.Equal(t, "lot_unknown", reason(err))
}
