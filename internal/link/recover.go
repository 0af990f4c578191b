package link

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/peer"
	"huskline/internal/restore"
)

// Writable is the gate of command.Config: it refuses writes until the link's Run has found this service's past complete, or healed it.
func (l *Link) Writable(ctx context.Context) error { return l.recovery.Gate(ctx) }

// Healed tells, without waiting, whether writes are let through: this service's past was found complete.
func (l *Link) Healed() bool { return l.recovery.Open() }

// recoveries makes what heals this service after a restore, and what answers the others after theirs; the latter nil where it is not asked for.
func (l *Link) recoveries(peers []peer.Peer, alarm func(string, lot.Receipt)) (*restore.Recovery, *restore.Rises) {
	cfg := restore.Config{
		DB: l.cfg.DB, Self: l.cfg.Self, Inbox: l.inbox, Reapply: l.cfg.Reapply, Recorded: l.Recorded,
		Now: l.cfg.Now, Logger: l.cfg.Logger, Alarm: alarm, Patience: l.cfg.Patience,
	}
	for _, p := range peers {
		s := p.Source()
		cfg.Peers = append(cfg.Peers, restore.Peer{Producer: s.Producer, Head: s.Head, Kept: p.Kept(l.cfg.Self)})
	}
	recovery := restore.New(cfg)
	if l.cfg.OnEpochRise == nil {
		return recovery, nil
	}
	return recovery, restore.NewRises(restore.RisesConfig{Config: cfg, Epoch: l.epoch, OnRise: l.cfg.OnEpochRise})
}

// epoch is the one in which a producer's events are taken now.
func (l *Link) epoch(producer lot.Producer) int64 {
	for _, lag := range l.inbox.Lags() {
		if lag.Applied.Producer == producer {
			return lag.Applied.Epoch
		}
	}
	return 0
}

// beginPause is between two looks for a database that is away.
const beginPause = time.Second

// begin reads where the own past stands; a database that is away is waited for. False: ctx has ended.
func (l *Link) begin(ctx context.Context) (bool, error) {
	for {
		err := l.recovery.Begin(ctx)
		switch {
		case err == nil:
			return true, nil
		case ctx.Err() != nil:
			return false, nil
		case fault.KindOf(err) != fault.KindUnavailable:
			return false, fmt.Errorf("begin: %w", err)
		}
		l.cfg.Logger.WarnContext(ctx, "the link waits for its database", slog.String("reason", err.Error()))
		select {
		case <-ctx.Done():
			return false, nil
		case <-time.After(beginPause):
		}
	}
}
