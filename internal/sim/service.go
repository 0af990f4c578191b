package sim

import (
	"context"
	"crypto/sha256"
	"errors"
	"time"

	"google.golang.org/protobuf/proto"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/sim/mem"
	eventv1 "huskline/proto/huskline/event/v1"
)

// domain is what every service has.
type domain interface {
	Start()
	Apply(ctx context.Context, e lot.Recorded) error
}

// service is a process with its database. What is not in the database is lost when it ends.
type service struct {
	w    *World
	name lot.Producer
	db   *mem.DB
	skew time.Duration // of its clock
	up   bool
	upAt int // the step at which it starts again

	domain domain
	feed   *feed.Feed[item]

	cursors *mem.Table[string, feed.Cursor]
	kept    *mem.Table[string, [32]byte] // digests of the payloads taken in, by event id
	aside   *mem.Table[int64, asideRow]
	settled *mem.List[lot.Recorded] // what took effect, in the order in which it did
}

func newService(w *World, name lot.Producer) *service {
	s := &service{w: w, name: name, db: mem.New(name, w.rng.Shuffle)}
	s.cursors = mem.NewTable[string, feed.Cursor](s.db.Log)
	s.kept = mem.NewTable[string, [32]byte](s.db.Log)
	s.aside = mem.NewTable[int64, asideRow](s.db.Log)
	s.settled = mem.NewList[lot.Recorded](s.db.Log)
	s.db.At, s.db.Again = s.at, func() bool { return w.hit(Deadlock) }
	return s
}

// clock is what the service takes for the time.
func (s *service) clock() time.Time { return s.w.now.Add(s.skew) }

// others are the producers whose events the service takes.
func (s *service) others() []lot.Producer {
	var out []lot.Producer
	for _, o := range s.w.services {
		if o.name != s.name {
			out = append(out, o.name)
		}
	}
	return out
}

// start makes what lives in memory anew, from the database.
func (s *service) start() {
	s.up = true
	s.domain.Start()
	s.load()
}

// rewound is told that the database has lost what was not on disk.
func (s *service) rewound() {}

// at lets something happen at a point of a transaction.
func (s *service) at(p mem.Point) error {
	w := s.w
	switch p {
	case mem.BeforeBegin:
		w.pause()
	case mem.BeforeCommit:
		if w.hit(CrashInCommit) {
			// The process ends here; the others of its tasks end before the next step.
			s.up, s.upAt = false, w.steps+1+w.rng.IntN(60)
			w.kill(s.name)
			panic(killed{})
		}
	case mem.AfterCommit:
		w.pause()
		if w.hit(CommitUnknown) {
			return fault.Unavailable("database_unavailable", "database %s: the connection ended", s.name)
		}
	}
	return nil
}

// applied is what the service has settled of the others, as `after` says it.
func (s *service) applied() []lot.Receipt {
	var out []lot.Receipt
	for _, c := range s.cursors.All() {
		if c.Position > 0 {
			out = append(out, c.Receipt)
		}
	}
	return out
}

// background begins one of the jobs that a service does by itself. Two relays or two sweepers side by side are harmless, and so they are tried.
func (w *World) background(s *service) {
	if !s.up {
		return
	}
	ctx := context.Background()
	switch w.rng.IntN(6) {
	case 0, 1:
		s.take(s.others()[w.rng.IntN(2)])
	case 2:
		s.relay()
	case 3:
		s.sendHead()
	case 4:
		if s.name != lot.Inventory && w.busy(s.name, "sweep") < 2 {
			w.spawn(s.name, "sweep", func() { w.bug(w.sweep(ctx, s)) })
		}
	case 5:
		w.extra(ctx, s)
	}
}

// extra is what only one of the services does by itself.
func (w *World) extra(ctx context.Context, s *service) {
	switch {
	case s.name == lot.Inventory && w.busy(s.name, "spread") < 2:
		for _, id := range w.inventory.Spreading() {
			w.spawn(s.name, "spread", func() { w.bug(w.inventory.SpreadPage(ctx, id)) })
			return
		}
	case s.name == lot.Production && w.production.Owes() && w.busy(s.name, "say") < 1:
		w.spawn(s.name, "say", func() { w.bug(w.production.SayOwed(ctx)) })
	}
}

func (w *World) sweep(ctx context.Context, s *service) error {
	if s.name == lot.Intake {
		return w.intake.Sweep(ctx)
	}
	return w.production.Sweep(ctx)
}

// bug fails the run on an error that says a rule of our own is broken, and lets others pass.
func (w *World) bug(err error) {
	var b *fault.BugError
	if errors.As(err, &b) {
		w.fail(b)
	}
}

// poison lets a service say an event that this version cannot read, about a lot that is known, as a later version might.
func (w *World) poison(s *service) {
	id, _ := w.newID()
	m := &eventv1.Event{Id: id.String(), Effective: lotwire.Time(w.now)}
	if l := w.plant.anyLot(w); l != nil {
		m.Lots = []string{string(l.id)}
	}
	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)
	if err != nil {
		w.fail(err)
		return
	}
	w.spawn(s.name, "later version", func() {
		w.bug(s.db.InTx(context.Background(), func(context.Context, pgx.Tx) error {
			return s.db.Append(s.clock().UnixMicro(), id.String(), "of-a-later-version", payload)
		}))
	})
}

func digest(b []byte) [32]byte { return sha256.Sum256(b) }
