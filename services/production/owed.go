package production

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/services/production/internal/store"
)

// owedEvery is how often it is looked for what follows from others' events and is still to be said.
const owedEvery = 250 * time.Millisecond

// sayOwed says what followed from others' events, in transactions of its own: taking in waits for no disk and settles many events at a time, and
// what is said must be durable before anybody hears it and takes the head last. While the past is still being taken back it waits.
func (s *Service) sayOwed(ctx context.Context) {
	tick := time.NewTicker(owedEvery)
	defer tick.Stop()
	failing := false
	for ctx.Err() == nil {
		if s.link.Healed() {
			said, err := s.sayAll(ctx)
			if err != nil && !failing && ctx.Err() == nil {
				s.cfg.Logger.WarnContext(ctx, "what follows from others' events is not said", "reason", err.Error())
			}
			failing = err != nil
			if said {
				s.link.Recorded()
			}
		}
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
}

func (s *Service) sayAll(ctx context.Context) (said bool, err error) {
	err = s.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
		said, err = store.New(tx, s.cfg.Now().UTC().Truncate(time.Microsecond)).SayOwed(ctx)
		return err
	})
	return said && err == nil, err
}
