package sim

import (
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/google/uuid"

	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
	intake "huskline/services/intake/sim"
	inventory "huskline/services/inventory/sim"
	production "huskline/services/production/sim"
)

// World is three services with all that is between them, and those who call them.
type World struct {
	seed     uint64
	rng      *rand.Rand
	now      time.Time
	steps    int
	calm     bool // no faults any more
	rates    map[Fault]int
	injected map[Fault]int
	broken   Break
	trace    *[]string // nil: the schedule is not kept
	err      error

	tasks   []*task
	able    []*task // of the tasks, those that can go on; overwritten with each step
	running *task
	crew    *crew
	ids     uint64

	services   []*service
	intake     *intake.Service
	inventory  *inventory.Service
	production *production.Service
	bus        []message
	cut        map[pair]bool
	cutUntil   int

	decoded map[*eventv1.Envelope]feed.Entry[item] // of envelopes as their producer made them
	plant   plant
	alarms  []string
}

type pair [2]lot.Producer

func pairOf(a, b lot.Producer) pair {
	if a > b {
		a, b = b, a
	}
	return pair{a, b}
}

const stage = "crack"

// newWorld makes a plant of a seed.
func newWorld(seed uint64, b Break, c *crew) *World {
	w := &World{
		crew: c,
		seed: seed, rng: rand.New(rand.NewPCG(seed, 0x48_75_73_6b)), now: time.Date(2026, 10, 5, 7, 0, 0, 0, time.UTC),
		decoded: map[*eventv1.Envelope]feed.Entry[item]{}, injected: map[Fault]int{}, broken: b, cut: map[pair]bool{},
	}
	w.plan()
	for _, name := range []lot.Producer{lot.Intake, lot.Inventory, lot.Production} {
		w.services = append(w.services, newService(w, name))
	}
	in, inv, prod := w.services[0], w.services[1], w.services[2]
	w.intake = intake.New(intake.Config{DB: in.db, Now: in.clock, NewID: w.newID, After: in.applied, Call: in.postMovement})
	w.inventory = inventory.New(inventory.Config{DB: inv.db, Now: inv.clock, NewID: w.newID, After: inv.applied, Reach: inv.reach, ForgetRefusals: b == RefusalLost})
	w.production = production.New(production.Config{
		DB: prod.db, Now: prod.clock, NewID: w.newID, After: prod.applied, Call: prod.postMovement, CatchUp: prod.reach,
	}, stage)
	in.domain, inv.domain, prod.domain = w.intake, w.inventory, w.production
	inv.db.Check = func() error { return w.judged(w.inventory.Judge()) }
	for _, s := range w.services {
		s.db.Lazy = b == CommitLazy
		s.start()
	}
	return w
}

// judged fails the run on a broken rule.
func (w *World) judged(err error) error {
	if err != nil {
		w.fail(err)
	}
	return err
}

// fail keeps the first thing that is wrong.
func (w *World) fail(err error) {
	if w.err == nil {
		w.err = fmt.Errorf("step %d: %w", w.steps, err)
		w.note("FAILED: %v", err)
	}
}

// note keeps a line of the schedule.
func (w *World) note(format string, args ...any) {
	if w.trace != nil {
		*w.trace = append(*w.trace, fmt.Sprintf("%6d  %s", w.steps, fmt.Sprintf(format, args...)))
	}
}

// newID is a UUIDv7 of the plant's time and the number of ids so far.
func (w *World) newID() (uuid.UUID, error) {
	w.ids++
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[0:8], uint64(w.now.UnixMilli())<<16)
	id[6], id[7] = 0x70|byte(w.ids>>8)&0x0f, byte(w.ids)
	binary.BigEndian.PutUint64(id[8:16], w.seed*0x9E3779B97F4A7C15+w.ids)
	id[8] = id[8]&0x3f | 0x80
	return id, nil
}

// command makes the id of a command.
func (w *World) command() string {
	w.ids++
	var id uuid.UUID
	binary.BigEndian.PutUint64(id[0:8], w.seed*0x9E3779B97F4A7C15)
	binary.BigEndian.PutUint64(id[8:16], w.ids)
	id[6], id[8] = id[6]&0x0f|0x40, id[8]&0x3f|0x80
	return id.String()
}

// span is a while: seconds, minutes or hours.
func (w *World) span(scale int) time.Duration {
	return []time.Duration{time.Second, time.Minute, time.Hour}[scale] * time.Duration(1+w.rng.IntN(30))
}

// step lets one thing happen.
func (w *World) step() {
	w.steps++
	w.now = w.now.Add(time.Duration(1+w.rng.IntN(60)) * time.Millisecond)
	if w.steps == w.cutUntil {
		clear(w.cut)
	}
	for _, s := range w.services {
		if !s.up && w.steps >= s.upAt {
			w.note("start %s", s.name)
			s.start()
		}
	}
	w.faults()
	tasks := w.runnable()
	switch draw := w.rng.IntN(100); {
	case draw < 60 && len(tasks) > 0:
		t := tasks[w.rng.IntN(len(tasks))]
		w.note("go on: %s of %s", t.kind, t.of)
		w.resume(t)
	case draw < 75 && len(w.bus) > 0:
		w.deliver(w.rng.IntN(len(w.bus)))
	default:
		w.background(w.services[w.rng.IntN(len(w.services))])
	}
	w.sweepTasks()
}

// crash ends a process; it is started again some steps later. Half of the ones that cannot be seen to end do so within a transaction.
func (w *World) crash(s *service, power bool) {
	w.note("crash of %s, power cut %t", s.name, power)
	s.up, s.upAt = false, w.steps+1+w.rng.IntN(60)
	w.kill(s.name)
	if w.broken == SpreadForgotten && s.name == lot.Inventory {
		w.inventory.ForgetFrontier()
	}
	if power && s.db.PowerCut() {
		s.rewound()
	}
}

// reachable tells whether two services reach each other.
func (w *World) reachable(a, b lot.Producer) bool {
	return a == b || !w.cut[pairOf(a, b)]
}

func (w *World) service(name lot.Producer) *service {
	for _, s := range w.services {
		if s.name == name {
			return s
		}
	}
	return nil
}
