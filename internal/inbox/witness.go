package inbox

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// keepWitness writes down the newest head heard of a producer, and holds it against what was written down before and against the event itself.
func (in *Inbox) keepWitness(ctx context.Context, s *source) error {
	in.mu.Lock()
	head := s.witness
	s.witness = nil
	in.mu.Unlock()
	if head == nil || head.GetAt().GetPosition() < 1 || len(head.GetHash()) != 32 {
		return nil
	}
	at := lot.Receipt{Producer: s.Producer, Epoch: head.GetAt().GetEpoch(), Position: head.GetAt().GetPosition()}
	const keep = `insert into witnesses (producer, epoch, position, hash, heard_at) values ($1, $2, $3, $4, $5) on conflict do nothing`
	const held = `select hash from witnesses where producer = $1 and epoch = $2 and position = $3
		union all select hash from inbox_events where producer = $1 and epoch = $2 and position = $3`
	differs := false
	err := in.cfg.DB.InReplayableTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		differs = false
		if _, err := tx.Exec(ctx, keep, at.Producer, at.Epoch, at.Position, head.GetHash(), in.cfg.Now()); err != nil {
			return err
		}
		rows, err := tx.Query(ctx, held, at.Producer, at.Epoch, at.Position)
		if err != nil {
			return err
		}
		hashes, err := pgx.CollectRows(rows, pgx.RowTo[[]byte])
		for _, h := range hashes {
			differs = differs || !bytes.Equal(h, head.GetHash())
		}
		return err
	})
	if err != nil {
		in.mu.Lock()
		if s.witness == nil {
			s.witness = head
		}
		in.mu.Unlock()
		return fmt.Errorf("keep the head of %s: %w", s.Producer, err)
	}
	if differs {
		in.alarm(AlarmForked, at, "its head's hash is not the one heard or taken before")
	}
	return nil
}

// Witness is the newest head of a producer that was heard here; nil where none was.
func Witness(ctx context.Context, q Querier, producer lot.Producer) (*eventv1.Head, error) {
	const sql = `select producer, epoch, position, hash from witnesses where producer = $1 order by epoch desc, position desc limit 1`
	h := &eventv1.Head{At: &eventv1.Receipt{}}
	err := q.QueryRow(ctx, sql, producer).Scan(&h.At.Producer, &h.At.Epoch, &h.At.Position, &h.Hash)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read the witnessed head of %s: %w", producer, err)
	}
	return h, nil
}

// Held asks the others how much of this service's own past they have applied, and returns the furthest place, with the producers that did
// not answer. At start a service compares it with its own head: if others know more, its database was restored to an earlier moment.
func (in *Inbox) Held(ctx context.Context) (furthest lot.Receipt, silent []lot.Producer) {
	furthest = lot.Receipt{Producer: in.cfg.Self}
	for _, s := range in.sources {
		asking, cancel := context.WithTimeout(ctx, in.cfg.HeadTimeout)
		st, err := s.Head(asking)
		cancel()
		if err != nil {
			silent = append(silent, s.Producer)
			continue
		}
		for _, r := range st.Applied {
			if r.Producer == in.cfg.Self && feed.Compare(r, furthest) > 0 {
				furthest = r
			}
		}
	}
	return furthest, silent
}
