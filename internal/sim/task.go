package sim

import (
	"fmt"
	"iter"
	"runtime/debug"

	"huskline/internal/lot"
)

// killed unwinds a task whose process has ended.
type killed struct{}

// task is something under way that others interrupt between its steps. It belongs to a service, with which it dies; callers belong to none.
type task struct {
	of    lot.Producer // empty: a caller outside
	kind  string
	body  func()
	on    *coroutine  // nil before it begins
	ready func() bool // nil: it may go on
	done  bool
	dead  bool // it ended with its process
}

// coroutine carries tasks, one after the other, so that its stack grows once.
type coroutine struct {
	task  *task
	kill  bool
	yield func(struct{}) bool
	next  func() (struct{}, bool)
	stop  func()
}

// crew is the coroutines that have nothing to do.
type crew struct{ idle []*coroutine }

func (c *crew) take() *coroutine {
	if n := len(c.idle); n > 0 {
		co := c.idle[n-1]
		c.idle = c.idle[:n-1]
		return co
	}
	co := &coroutine{}
	co.next, co.stop = iter.Pull(func(yield func(struct{}) bool) {
		co.yield = yield
		for {
			co.carry()
			if !yield(struct{}{}) {
				return
			}
		}
	})
	return co
}

// close ends all coroutines. None may carry a task.
func (c *crew) close() {
	for _, co := range c.idle {
		co.stop()
	}
	c.idle = nil
}

// carry runs a task to its end.
func (co *coroutine) carry() {
	defer func() {
		co.task.done = true
		if p := recover(); p != nil {
			if _, ok := p.(killed); !ok {
				panic(fmt.Sprintf("%s of %q: %v\n%s", co.task.kind, co.task.of, p, debug.Stack()))
			}
			co.task.dead = true
		}
	}()
	co.task.body()
}

// spawn begins a task at one of the next steps.
func (w *World) spawn(of lot.Producer, kind string, body func()) *task {
	t := &task{of: of, kind: kind}
	t.body = func() {
		defer func() {
			if p := recover(); p != nil {
				if _, ok := p.(killed); ok {
					panic(p)
				}
				w.fail(fmt.Errorf("%s of %q panicked: %v\n%s", kind, of, p, debug.Stack()))
			}
		}()
		body()
	}
	w.tasks = append(w.tasks, t)
	return t
}

// pause lets others go on. It panics where the task's process has ended meanwhile; the unwinding stops at the task.
func (w *World) pause() {
	co := w.running.on
	co.yield(struct{}{})
	if co.kill {
		panic(killed{})
	}
}

// await pauses until a condition holds.
func (w *World) await(ready func() bool) {
	t := w.running
	for !ready() {
		t.ready = ready
		w.pause()
	}
	t.ready = nil
}

// resume lets a task go on to its next pause.
func (w *World) resume(t *task) {
	if t.on == nil {
		t.on = w.crew.take()
		t.on.task, t.on.kill = t, false
	}
	before := w.running
	w.running = t
	t.on.next()
	w.running = before
	if t.done {
		w.crew.idle = append(w.crew.idle, t.on)
		t.on = nil
	}
}

// end kills a task, at the pause it stands at.
func (w *World) end(t *task) {
	if t.on != nil {
		t.on.kill = true
		w.resume(t)
	}
	t.done, t.dead = true, true
}

// kill ends the tasks of a process.
func (w *World) kill(of lot.Producer) {
	for _, t := range w.tasks {
		if t.of == of && !t.done && t != w.running {
			w.end(t)
		}
	}
}

// sweepTasks forgets the tasks that have ended.
func (w *World) sweepTasks() {
	kept := w.tasks[:0]
	for _, t := range w.tasks {
		if !t.done {
			kept = append(kept, t)
		}
	}
	clear(w.tasks[len(kept):])
	w.tasks = kept
}

// close ends all tasks, so that none outlives the world.
func (w *World) close() {
	for _, t := range w.tasks {
		if !t.done {
			w.end(t)
		}
	}
	w.tasks = nil
}

// runnable lists the tasks that can go on.
func (w *World) runnable() []*task {
	out := w.able[:0]
	for _, t := range w.tasks {
		if !t.done && (t.ready == nil || t.ready()) {
			out = append(out, t)
		}
	}
	w.able = out
	return out
}

// busy counts the tasks of a kind of a service.
func (w *World) busy(of lot.Producer, kind string) int {
	n := 0
	for _, t := range w.tasks {
		if !t.done && t.of == of && t.kind == kind {
			n++
		}
	}
	return n
}
