package restore

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// risesEvery is how often the epochs of others are looked at; a look costs nothing.
const risesEvery = time.Second

// RisesConfig is what Rises is made of. DB, Peers, Now, Logger and Alarm are those of Config.
type RisesConfig struct {
	Config
	Epoch func(lot.Producer) int64 // the epoch in which a producer's events are taken now; it costs nothing
	// OnRise is called once for each epoch of another service that was followed by a greater one, with the position at which it ended there:
	// what that service had answered after it, it may have lost. An error of kind unavailable is tried again; any other is an alarm.
	OnRise func(ctx context.Context, producer lot.Producer, epoch, after int64) error
}

// Rises tells a service of the others' restores. It is safe for concurrent use.
type Rises struct{ cfg RisesConfig }

// NewRises makes a Rises; Run lets it look.
func NewRises(cfg RisesConfig) *Rises { return &Rises{cfg: cfg} }

// Run looks until ctx ends, and then returns nil.
func (w *Rises) Run(ctx context.Context) error {
	answered := map[lot.Producer]int64{} // below it every epoch was answered
	tick := time.NewTicker(risesEvery)
	defer tick.Stop()
	failing := false
	for {
		var errs []error
		for _, peer := range w.cfg.Peers {
			epoch := w.cfg.Epoch(peer.Producer)
			if epoch <= max(1, answered[peer.Producer]) {
				continue
			}
			if err := w.answer(ctx, peer); err != nil {
				errs = append(errs, err)
				continue
			}
			answered[peer.Producer] = epoch
		}
		err := errors.Join(errs...)
		if err != nil && !failing && ctx.Err() == nil {
			w.cfg.Logger.WarnContext(ctx, "a restored service cannot be answered yet", slog.String("reason", err.Error()))
		}
		failing = err != nil
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// answer calls OnRise for each ended epoch of a peer that was not answered before. One that the peer itself forgot ended, for it, at its
// beginning.
func (w *Rises) answer(ctx context.Context, peer Peer) error {
	asking, cancel := context.WithTimeout(ctx, askTimeout)
	defer cancel()
	standing, err := peer.Head(asking)
	if err != nil {
		return fmt.Errorf("ask %s where its epochs ended: %w", peer.Producer, err)
	}
	before, err := w.before(ctx, peer.Producer)
	if err != nil {
		return err
	}
	ends := map[int64]int64{}
	for _, h := range standing.Earlier {
		ends[h.GetAt().GetEpoch()] = h.GetAt().GetPosition()
	}
	for epoch := before + 1; epoch < standing.Head.GetAt().GetEpoch(); epoch++ {
		after := ends[epoch]
		err := w.cfg.OnRise(ctx, peer.Producer, epoch, after)
		if err != nil && (ctx.Err() != nil || fault.KindOf(err) == fault.KindUnavailable) {
			return err
		}
		if err != nil {
			w.cfg.alarm(ctx, AlarmNotAnother, lot.Receipt{Producer: peer.Producer, Epoch: epoch, Position: after}, err)
		}
		const sql = `insert into rises_answered (producer, epoch, position, answered_at) values ($1, $2, $3, $4) on conflict do nothing`
		if err := w.cfg.insert(ctx, "note an answered restore", sql, peer.Producer, epoch, after, w.cfg.Now()); err != nil {
			return err
		}
	}
	return nil
}

// before is the greatest epoch of a peer that was answered.
func (w *Rises) before(ctx context.Context, producer lot.Producer) (epoch int64, err error) {
	err = w.cfg.DB.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		const sql = `select coalesce(max(epoch), 0) from rises_answered where producer = $1`
		return tx.QueryRow(ctx, sql, producer).Scan(&epoch)
	})
	if err != nil {
		return 0, fmt.Errorf("read which restores of %s were answered: %w", producer, err)
	}
	return epoch, nil
}
