package sim

import (
	"fmt"
	"iter"
	"runtime/debug"

	"huskline/internal/lot"
)

// killed unwinds a task whose process has ended.
type killed struct{}

// task is a coroutine. It belongs to a service, with which it dies; callers belong to none.
type task struct {
	of    lot.Producer // empty: a caller outside
	kind  string
	yield func(struct{}) bool
	next  func() (struct{}, bool)
	stop  func()
	ready func() bool // nil: it may go on
	done  bool
	dead  bool // it ended with its process
}

// spawn begins a task at one of the next steps.
func (w *World) spawn(of lot.Producer, kind string, body func()) *task {
	t := &task{of: of, kind: kind}
	t.next, t.stop = iter.Pull(func(yield func(struct{}) bool) {
		t.yield = yield
		defer func() {
			t.done = true
			switch p := recover().(type) {
			case nil:
			case killed:
				t.dead = true
			default:
				w.fail(fmt.Errorf("%s of %q panicked: %v\n%s", kind, of, p, debug.Stack()))
			}
		}()
		body()
	})
	w.tasks = append(w.tasks, t)
	return t
}

// pause lets others go on. It panics where the task's process has ended meanwhile; the unwinding stops at the task.
func (w *World) pause() {
	if t := w.running; t == nil || !t.yield(struct{}{}) {
		panic(killed{})
	}
}

// await pauses until a condition holds.
func (w *World) await(ready func() bool) {
	for !ready() {
		w.running.ready = ready
		w.pause()
	}
	if w.running != nil {
		w.running.ready = nil
	}
}

// resume lets a task go on to its next pause.
func (w *World) resume(t *task) {
	before := w.running
	w.running = t
	if _, more := t.next(); !more {
		t.done = true
	}
	w.running = before
}

// kill ends the tasks of a process.
func (w *World) kill(of lot.Producer) {
	for _, t := range w.tasks {
		if t.of == of && !t.done && t != w.running {
			w.end(t)
		}
	}
	w.sweepTasks()
}

func (w *World) end(t *task) {
	before := w.running
	w.running = t
	t.stop()
	t.done, t.dead = true, true
	w.running = before
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

// close ends all tasks, so that no coroutine outlives the world.
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
	var out []*task
	for _, t := range w.tasks {
		if !t.done && (t.ready == nil || t.ready()) {
			out = append(out, t)
		}
	}
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
