package production

import (
	"context"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/services/production/internal/store"
)

// owedEvery is how often it is looked for what could not be said while the past was being taken back.
const owedEvery = time.Second

// sayOwed says, once the past is complete, what followed from others' events meanwhile. One that was applied while writes were still shut may
// be committed later, so it looks on.
func (s *Service) sayOwed(ctx context.Context) {
	tick := time.NewTicker(owedEvery)
	defer tick.Stop()
	for ctx.Err() == nil {
		if s.link.Healed() {
			var said bool
			err := s.cfg.DB.InTx(ctx, func(ctx context.Context, tx pgx.Tx) (err error) {
				said, err = store.New(tx, s.cfg.Now().UTC().Truncate(time.Microsecond)).SayOwed(ctx)
				return err
			})
			if err == nil && said {
				s.link.Recorded()
			}
		}
		select {
		case <-ctx.Done():
		case <-tick.C:
		}
	}
}
