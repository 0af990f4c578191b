package checker

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/snapshot"
	"huskline/internal/verify"
)

// defaultWait is how long after the last fault every event must have taken effect.
const defaultWait = 30 * time.Second

// pollEvery is how often positions are looked at while consumers drain.
const pollEvery = 50 * time.Millisecond

// services are the three in the order of the flow.
func services() []string { return []string{"intake", "inventory", "production"} }

// place is a position of a producer.
type place struct {
	producer        string
	epoch, position int64
}

// String is the place as receipts print it.
func (p place) String() string { return fmt.Sprintf("%s/%d/%d", p.producer, p.epoch, p.position) }

// before is the order within a producer.
func (p place) before(o place) bool {
	return p.epoch < o.epoch || p.epoch == o.epoch && p.position < o.position
}

// state is what is checked: the databases, each at one moment, and how the plant was when they were read.
type state struct {
	plant  Plant
	dbs    map[string]*snapshot.Database
	asOf   []string
	atRest bool
	behind []string // consumers that did not reach the heads taken first, within the wait

	recompute, stored, fold *verify.Report // made once, when asked for
}

// look waits for the consumers and reads the databases. Where nothing moved between the heads before and after, the plant was at rest.
func look(ctx context.Context, p Plant) (*state, error) {
	for _, name := range services() {
		if p.Databases[name] == "" {
			return nil, fmt.Errorf("checker: the database of %s is not given", name)
		}
	}
	if p.Wait == 0 {
		p.Wait = defaultWait
	}
	s := &state{plant: p}
	watch, err := openWatch(ctx, p)
	if err != nil {
		return nil, err
	}
	defer watch.close(ctx)
	limit := time.Now().Add(p.Wait)
	if err := watch.drain(ctx, s, limit); err != nil {
		return nil, err
	}
	for {
		before, err := watch.read(ctx)
		if err != nil {
			return nil, err
		}
		if err := s.read(ctx); err != nil {
			return nil, err
		}
		after, err := watch.read(ctx)
		if err != nil {
			return nil, err
		}
		s.atRest = before.idle() && after.idle() && before.same(after)
		if s.atRest || p.Stopped || !time.Now().Before(limit) {
			break
		}
		if err := pause(ctx); err != nil {
			return nil, err
		}
	}
	for _, name := range services() {
		s.asOf = append(s.asOf, s.head(name).String())
	}
	return s, nil
}

func pause(ctx context.Context) error {
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(pollEvery):
		return nil
	}
}

func (s *state) read(ctx context.Context) error {
	s.dbs = map[string]*snapshot.Database{}
	for _, name := range services() {
		db, err := snapshot.Read(ctx, s.plant.Databases[name], name)
		if err != nil {
			return err
		}
		s.dbs[name] = db
	}
	return nil
}

// head is the head of a producer as its database was read.
func (s *state) head(producer string) place {
	for _, r := range s.dbs[producer].Table("head").All() {
		return place{producer, r.Int("epoch"), r.Int("position")}
	}
	return place{producer: producer}
}

// table is the rows of a table of a service.
func (s *state) table(service, name string) []snapshot.Row { return s.dbs[service].Table(name).All() }

// watch looks at positions alone, again and again.
type watch struct {
	conns map[string]*pgx.Conn
}

func openWatch(ctx context.Context, p Plant) (*watch, error) {
	w := &watch{conns: map[string]*pgx.Conn{}}
	for _, name := range services() {
		conn, err := pgx.Connect(ctx, p.Databases[name])
		if err != nil {
			w.close(ctx)
			return nil, fmt.Errorf("checker: database of %s: %w", name, err)
		}
		w.conns[name] = conn
	}
	return w, nil
}

func (w *watch) close(ctx context.Context) {
	for _, c := range w.conns {
		_ = c.Close(context.WithoutCancel(ctx))
	}
}

// positions are how far everything is.
type positions struct {
	heads   map[string]place
	hashes  map[string][]byte
	cursors map[string]map[string]place // of a consumer, by producer
	under   map[string]int64            // work under way: open intents, holds that spread, events owed
}

func (w *watch) read(ctx context.Context) (positions, error) {
	const head = `select epoch, position, hash from head`
	const cursors = `select distinct on (producer) producer, epoch, position from cursors order by producer, epoch desc`
	const open = `select count(*) from open_intents`
	p := positions{heads: map[string]place{}, hashes: map[string][]byte{}, cursors: map[string]map[string]place{}, under: map[string]int64{}}
	for _, name := range services() {
		conn := w.conns[name]
		at := place{producer: name}
		var hash []byte
		if err := conn.QueryRow(ctx, head).Scan(&at.epoch, &at.position, &hash); err != nil {
			return p, fmt.Errorf("checker: head of %s: %w", name, err)
		}
		p.heads[name], p.hashes[name], p.cursors[name] = at, hash, map[string]place{}
		rows, err := conn.Query(ctx, cursors)
		if err != nil {
			return p, fmt.Errorf("checker: cursors of %s: %w", name, err)
		}
		var c place
		if _, err := pgx.ForEachRow(rows, []any{&c.producer, &c.epoch, &c.position}, func() error { p.cursors[name][c.producer] = c; return nil }); err != nil {
			return p, fmt.Errorf("checker: cursors of %s: %w", name, err)
		}
		n := int64(0)
		if err := conn.QueryRow(ctx, open).Scan(&n); err != nil {
			return p, fmt.Errorf("checker: work under way at %s: %w", name, err)
		}
		p.under[name] = n
	}
	return p, w.more(ctx, &p)
}

// more adds the work that only one service has.
func (w *watch) more(ctx context.Context, p *positions) error {
	for name, sql := range map[string]string{
		"inventory":  `select count(*) from hold_frontier f join holds h using (hold) where h.ended_at is null`,
		"production": `select count(*) from owed_events`,
	} {
		n := int64(0)
		if err := w.conns[name].QueryRow(ctx, sql).Scan(&n); err != nil {
			return fmt.Errorf("checker: work under way at %s: %w", name, err)
		}
		p.under[name] += n
	}
	return nil
}

// idle tells that every consumer is where its producers are, and nothing is under way.
func (p positions) idle() bool {
	return len(p.waiting(p.heads)) == 0 && p.under["intake"]+p.under["inventory"]+p.under["production"] == 0
}

// waiting names the consumers that are behind heads.
func (p positions) waiting(heads map[string]place) []string {
	var out []string
	for _, consumer := range services() {
		for _, producer := range services() {
			at := p.cursors[consumer][producer]
			if consumer != producer && at.before(heads[producer]) && heads[producer].position > 0 {
				out = append(out, fmt.Sprintf("%s has %d/%d of %s", consumer, at.epoch, at.position, heads[producer]))
			}
		}
	}
	return out
}

func (p positions) same(o positions) bool {
	for _, name := range services() {
		if !bytes.Equal(p.hashes[name], o.hashes[name]) || p.heads[name] != o.heads[name] {
			return false
		}
	}
	return true
}

// drain waits until every consumer has what the heads were at first, and what was under way is done.
func (w *watch) drain(ctx context.Context, s *state, limit time.Time) error {
	first, err := w.read(ctx)
	if err != nil {
		return err
	}
	for now := first; ; {
		s.behind = now.waiting(first.heads)
		if len(s.behind) == 0 && now.idle() || s.plant.Stopped || !time.Now().Before(limit) {
			return nil
		}
		if err := pause(ctx); err != nil {
			return err
		}
		if now, err = w.read(ctx); err != nil {
			return err
		}
	}
}

// producersOf are the producers whose events a service takes.
func (s *state) producersOf(consumer string) []string {
	seen := map[string]bool{}
	for _, r := range s.table(consumer, "cursors") {
		seen[r.Text("producer")] = true
	}
	var out []string
	for p := range seen {
		out = append(out, p)
	}
	slices.SortFunc(out, strings.Compare)
	return out
}
