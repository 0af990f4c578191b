package desk

import (
	"context"
	"math"

	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// ReadKept sends what this service has kept of a producer's events of an epoch after a position, in order, for a producer that was restored to
// an earlier moment. Another service gets its own events only, the administrator any. No transaction is open while send works.
func (d *Desk) ReadKept(ctx context.Context, producer string, epoch, after int64, send func([]*eventv1.Envelope) error) error {
	actor := access.ActorOf(ctx)
	if string(actor.Peer) != producer && !actor.Has(access.Administrator) {
		return fault.Denied("kept_of_another", "kept events of %s: they are given to %s itself and to an administrator, not to %s", producer, producer, actor.Name)
	}
	from := lot.Receipt{Producer: lot.Producer(producer), Epoch: epoch, Position: after}
	for {
		page, err := d.kept(ctx, from)
		if err != nil || len(page) == 0 {
			return err
		}
		if err := send(page); err != nil {
			return err
		}
		from.Position = page[len(page)-1].GetPosition()
	}
}

func (d *Desk) kept(ctx context.Context, from lot.Receipt) (page []*eventv1.Envelope, err error) {
	all := inbox.Range{From: from, To: lot.Receipt{Producer: from.Producer, Epoch: from.Epoch, Position: math.MaxInt64}}
	err = d.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		kept, err := all.Read(ctx, tx, pageOfEvents)
		page = make([]*eventv1.Envelope, 0, len(kept))
		for _, k := range kept {
			page = append(page, k.Envelope)
		}
		return err
	})
	return page, err
}
