package sim

import (
	"context"
	"fmt"
	"slices"

	"huskline/internal/lot"
)

// Options say how a seed is run.
type Options struct {
	Seed     uint64
	Commands int   // how many commands the callers send; 0: 30
	Break    Break // a deliberate fault; None: none
	Trace    bool  // keep the schedule
}

// Result is what came of a seed.
type Result struct {
	Seed     uint64
	Err      error // the first rule found broken; nil: all hold
	Steps    int
	Accepted int
	Refused  map[string]int // by reason
	Events   int
	Injected map[Fault]int
	Schedule []string // where Options.Trace was set
}

// callers are those who send commands, side by side.
const callers = 3

// most bounds the steps of one phase, so that what never comes to rest is found.
const most = 60_000

// Run runs one seed to its end. The same seed and commands give the same steps.
func Run(o Options) Result {
	c := &crew{}
	defer c.close()
	return run(o, c)
}

func run(o Options, c *crew) Result {
	if o.Commands == 0 {
		o.Commands = 30
	}
	w := newWorld(o.Seed, o.Break, c)
	var trace []string
	if o.Trace {
		w.trace = &trace
	}
	defer w.close()
	w.run(o.Commands)
	r := Result{Seed: o.Seed, Err: w.err, Steps: w.steps, Refused: w.plant.refused, Injected: w.injected, Schedule: trace}
	for _, op := range w.plant.ops {
		if op.answer != nil {
			r.Accepted++
		}
	}
	for _, s := range w.services {
		r.Events += int(s.db.Head().Position)
	}
	return r
}

// run lets the plant be registered, then half of the commands be sent, everything be judged at rest, and the other half.
func (w *World) run(commands int) {
	w.calm = true
	w.setup()
	w.rest("set-up", func() bool { return w.busy("", "setup") == 0 })
	for part := range 2 {
		w.calm = false
		w.plant.left = commands / 2
		for n := range callers {
			w.caller(n)
		}
		w.rest(fmt.Sprintf("part %d", part+1), func() bool { return w.callersDone() })
		if w.err != nil {
			return
		}
		w.heal()
		if w.err == nil {
			w.check()
		}
		if w.err != nil {
			return
		}
	}
}

func (w *World) callersDone() bool {
	return !slices.ContainsFunc(w.tasks, func(t *task) bool { return t.of == "" })
}

// rest steps until a condition holds.
func (w *World) rest(what string, done func() bool) {
	for from := w.steps; !done() && w.err == nil; {
		w.step()
		if w.steps-from > most {
			w.fail(fmt.Errorf("%s does not come to rest in %d steps", what, most))
		}
	}
}

// heal ends all faults and lets everything come to rest: calls end, intents are finished, events reach everybody, holds reach all they must.
func (w *World) heal() {
	w.calm = true
	clear(w.cut)
	for _, s := range w.services {
		s.skew = 0
		s.upAt = min(s.upAt, w.steps+1)
	}
	w.rest("healing", w.quiet)
	w.spawnReleases()
	w.rest("healing", func() bool { return w.aside() == 0 && w.quiet() })
}

// spawnReleases lets each service try again what it has set aside.
func (w *World) spawnReleases() {
	for _, s := range w.services {
		w.spawn(s.name, "release", s.release)
	}
	w.rest("release", func() bool { return !slices.ContainsFunc(w.tasks, func(t *task) bool { return t.kind == "release" }) })
	if n := w.aside(); n > 0 && w.err == nil {
		w.fail(fmt.Errorf("%d events stay in quarantine: %v", n, w.alarms))
	}
}

func (w *World) aside() int {
	n := 0
	for _, s := range w.services {
		n += s.aside.Len()
	}
	return n
}

// quiet tells whether nothing is left to be done.
func (w *World) quiet() bool {
	if len(w.tasks) > 0 || len(w.inventory.Spreading()) > 0 || w.production.Owes() {
		return false
	}
	for _, s := range w.services {
		if !s.up || len(s.db.OpenIntents()) > 0 {
			return false
		}
		for _, p := range s.others() {
			head := w.service(p).db.Head()
			if !s.reached(lot.Receipt{Producer: p, Epoch: head.Epoch, Position: head.Position}) {
				return false
			}
		}
	}
	return true
}

// ask runs something in a task and waits for its end.
func (w *World) inTask(what string, body func(ctx context.Context)) {
	t := w.spawn("", what, func() { body(context.Background()) })
	w.rest(what, func() bool { return t.done })
}
