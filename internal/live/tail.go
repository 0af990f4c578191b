package live

import (
	"log/slog"

	"huskline/internal/follow"
	"huskline/internal/lot"
	"huskline/internal/postgres"
)

// Mark is where a watcher stands.
type Mark = follow.Mark

// Nothing is an index of nothing, for views whose events tell all.
type Nothing struct{}

// Apply keeps nothing.
func (Nothing) Apply(lot.Recorded) error { return nil }

// Tail is a hub without an index: it begins where the database stands, and reads nothing while nobody watches.
type Tail[N any] = Hub[Nothing, N]

// NewTail makes a hub of what a service records and takes in; note gives what watchers are told of an event and its weight, 0 where nothing.
func NewTail[N any](db *postgres.DB, self lot.Producer, logger *slog.Logger, note func(lot.Recorded) (N, int)) *Tail[N] {
	return New(Config[Nothing, N]{
		Follow: follow.Config[Nothing]{DB: db, Self: self, New: func() Nothing { return Nothing{} }, Logger: logger, Tail: true},
		Fold: func(_ Nothing, e lot.Recorded, apply func() error) (N, int, error) {
			n, weight := note(e)
			return n, weight, apply()
		},
	})
}
