package inbox

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// State says why a kept event has no effect, if it has none.
type State int

// Applied: it has taken effect. Repeated: it was taken before under its id. SetAside: it is in quarantine.
const (
	Applied State = iota
	Repeated
	SetAside
)

// Kept is an event that was settled here, with its bytes.
type Kept struct {
	Envelope *eventv1.Envelope
	State    State
	EventID  string
	Lots     []lot.ID // of one in quarantine
	Reason   string   // of one in quarantine
}

// Standings is how far the inbox has settled each producer, and how many events it has released from quarantine so far. At one such moment
// it is fixed for good what Range gives.
type Standings struct {
	Positions []lot.Receipt
	Releases  int64
}

// ReadStandings reads where the inbox stands.
func ReadStandings(ctx context.Context, q Querier) (Standings, error) {
	at, err := Positions(ctx, q)
	if err != nil {
		return Standings{}, err
	}
	s := Standings{Positions: at}
	const sql = `select number from releases`
	if err := q.QueryRow(ctx, sql).Scan(&s.Releases); err != nil {
		return Standings{}, fmt.Errorf("read releases: %w", err)
	}
	return s, nil
}

// Range names kept events of one producer: after From, up to and including To, as they stood after so many releases.
type Range struct {
	From, To lot.Receipt
	Releases int64
}

// Read gives kept events in the order of epoch and position, at most limit.
func (r Range) Read(ctx context.Context, q Querier, limit int) ([]Kept, error) {
	const sql = `select e.producer, e.epoch, e.position, e.recorded_micros, e.previous_hash, e.hash, e.payload, e.type,
			e.repeated, q.number is not null and (q.release is null or q.release > $6), e.event_id, coalesce(q.lots, '{}'), coalesce(q.reason, '')
		from inbox_events e left join quarantine q on q.producer = e.producer and q.epoch = e.epoch and q.position = e.position
		where e.producer = $1 and (e.epoch, e.position) > ($2, $3) and (e.epoch, e.position) <= ($4, $5)
		order by e.epoch, e.position limit $7`
	rows, err := q.Query(ctx, sql, r.To.Producer, r.From.Epoch, r.From.Position, r.To.Epoch, r.To.Position, r.Releases, limit)
	if err != nil {
		return nil, fmt.Errorf("read kept events of %s: %w", r.To.Producer, err)
	}
	return collectKept(rows)
}

// Released gives the events of any producer that were released after one count of releases, up to another, in the order of release.
func Released(ctx context.Context, q Querier, after, upTo int64) ([]Kept, error) {
	const sql = `select e.producer, e.epoch, e.position, e.recorded_micros, e.previous_hash, e.hash, e.payload, e.type,
			false, false, e.event_id, q.lots, q.reason
		from quarantine q join inbox_events e using (producer, epoch, position)
		where q.release > $1 and q.release <= $2 order by q.release`
	rows, err := q.Query(ctx, sql, after, upTo)
	if err != nil {
		return nil, fmt.Errorf("read released events: %w", err)
	}
	return collectKept(rows)
}

func collectKept(rows pgx.Rows) ([]Kept, error) {
	all, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (Kept, error) {
		var k Kept
		var repeated, aside bool
		var err error
		k.Envelope, err = scanEnvelope(row, &repeated, &aside, &k.EventID, &k.Lots, &k.Reason)
		switch {
		case aside:
			k.State = SetAside
		case repeated:
			k.State = Repeated
		}
		return k, err
	})
	if err != nil {
		return nil, fmt.Errorf("read kept events: %w", err)
	}
	return all, nil
}
