package live

import (
	"context"
	"errors"
	"math"
	"sort"
	"time"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/lot"
)

// Send hands a watcher's caller one note, or none where only the mark moved on; before is where the watcher stood. It may block for as long as
// the caller takes nothing.
type Send[N any] func(n *Note[N], before, mark follow.Mark) error

// batch is how many notes a watcher takes from the hub at once.
const batch = 256

// Watch sends what is folded behind a mark, or from now on where there is none: first, without a note, where it stands; then note by note in the
// order of the fold, and when nothing came for a while a mark alone. It returns when ctx ends; when send fails; with reason stopping when the
// hub closes; with reason watch_behind when what the caller has not taken yet is kept no more; with reason watch_full where there are too many
// watchers. After each of these the caller goes on from the mark of the last message that it got.
//
// A send that is under way when Watch returns is not waited for: the caller's stream has to end it.
func (h *Hub[I, N]) Watch(ctx context.Context, after *follow.Mark, send Send[N]) error {
	if err := h.enter(); err != nil {
		return err
	}
	defer h.leave()
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	w := &watcher[I, N]{hub: h, out: make(chan message[N]), failed: cancel, next: math.MaxInt64}
	go w.write(ctx, send)
	if after != nil {
		w.mark = *after
		if err := h.catchUp(ctx, w); err != nil {
			return w.ended(ctx, err)
		}
	} else if err := h.join(ctx, w); err != nil {
		return w.ended(ctx, err)
	}
	return w.ended(ctx, w.run(ctx))
}

// sendError is the cause of a context whose caller takes no more.
type sendError struct{ error }

// message is what goes to the writer.
type message[N any] struct {
	note         *Note[N]
	before, mark follow.Mark
}

// watcher is one caller's place.
type watcher[I follow.Index, N any] struct {
	hub    *Hub[I, N]
	next   int64 // number of the note to come
	mark   follow.Mark
	out    chan message[N]
	failed context.CancelCauseFunc
}

// write sends what it is given until ctx ends.
func (w *watcher[I, N]) write(ctx context.Context, send Send[N]) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-w.hub.closing:
			w.failed(stopping())
			return
		case m := <-w.out:
			if err := send(m.note, m.before, m.mark); err != nil {
				w.failed(sendError{err})
				return
			}
		}
	}
}

// ended prefers what the caller's stream said to what followed from it.
func (w *watcher[I, N]) ended(ctx context.Context, err error) error {
	var failed sendError
	if errors.As(context.Cause(ctx), &failed) {
		return failed.error
	}
	return err
}

// join puts a watcher at the end of what the hub was told, once that is all that was committed before the call.
func (h *Hub[I, N]) join(ctx context.Context, w *watcher[I, N]) error {
	if err := h.ready(ctx); err != nil {
		return err
	}
	h.mu.Lock()
	w.next, w.mark = h.first+int64(len(h.notes)), h.mark
	h.mu.Unlock()
	return w.hand(ctx, nil, w.mark)
}

// ready waits until the hub keeps notes and has been told of all that was committed before the call.
func (h *Hub[I, N]) ready(ctx context.Context) error {
	if err := h.source.Settled(ctx); err != nil {
		return err
	}
	for {
		h.mu.Lock()
		begun, closed, changed := h.begun, h.closed, h.changed
		h.mu.Unlock()
		switch {
		case closed:
			return stopping()
		case begun:
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

// rounds is how often what lies before the kept notes is told from the database, before a watcher counts as one that cannot follow.
const rounds = 3

// catchUp tells a watcher what lies between its mark and what the hub keeps, and puts it there.
func (h *Hub[I, N]) catchUp(ctx context.Context, w *watcher[I, N]) error {
	if err := h.ready(ctx); err != nil {
		return err
	}
	for round := range rounds {
		placed, err := h.place(w)
		if err == nil && round == 0 {
			err = w.hand(ctx, nil, w.mark)
		}
		if placed || err != nil {
			return err
		}
		r := &replay[I, N]{fold: h.cfg.Fold, limit: h.cfg.Weight, from: w.mark}
		if err := h.source.Replay(ctx, w.mark, r); err != nil {
			return err
		}
		if r.weight > r.limit {
			return fault.Precondition("watch_too_far", "position %s: more has changed since than a live view tells (%d lines); read what stands and watch from now on", w.mark, r.limit)
		}
		for i := range r.notes {
			if err := w.hand(ctx, &r.notes[i], r.notes[i].Mark); err != nil {
				return err
			}
		}
		w.mark = w.mark.Raised(r.mark)
	}
	return w.behind()
}

// place puts a watcher behind its mark in what the hub keeps; false where that begins later. All that was committed before the call was told, so
// a mark that lies ahead of that is of no time of this database.
func (h *Hub[I, N]) place(w *watcher[I, N]) (placed bool, err error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if !h.mark.Covers(w.mark) {
		return false, fault.Invalid("position_unknown", "position %s: the highest known here is %s", w.mark, h.mark)
	}
	if !w.mark.Covers(h.start) {
		return false, nil
	}
	w.next = h.first + int64(sort.Search(len(h.notes), func(i int) bool { return !w.mark.Covers(h.notes[i].Mark) }))
	return true, nil
}

// run hands on what the hub is told.
func (w *watcher[I, N]) run(ctx context.Context) error {
	beat := time.NewTicker(w.hub.cfg.Beat)
	defer beat.Stop()
	quiet := true
	for {
		notes, mark, changed, err := w.take()
		if err != nil {
			return err
		}
		for i := range notes {
			if quiet = false; !notes[i].released && !w.mark.Behind(notes[i].Event.Receipt) {
				continue // known to a caller whose mark is of another order than this fold's
			}
			if err := w.hand(ctx, &notes[i], notes[i].Mark); err != nil {
				return err
			}
		}
		if len(notes) > 0 {
			continue
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		case <-beat.C:
			if !quiet {
				quiet = true
				continue
			}
			if err := w.hand(ctx, nil, mark); err != nil {
				return err
			}
		}
	}
}

// take gives the next notes; none where the watcher is at the end, whose mark it gives then.
func (w *watcher[I, N]) take() (notes []Note[N], mark follow.Mark, changed chan struct{}, err error) {
	h := w.hub
	h.mu.Lock()
	defer h.mu.Unlock()
	switch {
	case h.closed:
		return nil, mark, nil, stopping()
	case w.next < h.first:
		return nil, mark, nil, w.behind()
	}
	from := w.next - h.first
	notes = append(notes, h.notes[from:min(from+batch, int64(len(h.notes)))]...)
	w.next += int64(len(notes))
	return notes, h.mark, h.changed, nil
}

// hand gives the writer a message. While the caller takes nothing it looks whether what comes next is still kept.
func (w *watcher[I, N]) hand(ctx context.Context, n *Note[N], mark follow.Mark) error {
	h, next := w.hub, w.mark.Raised(mark)
	for {
		h.mu.Lock()
		closed, lost, changed := h.closed, h.begun && w.next < h.first, h.changed
		h.mu.Unlock()
		switch {
		case closed:
			return stopping()
		case lost:
			return w.behind()
		}
		select {
		case w.out <- message[N]{n, w.mark, next}:
			w.mark = next
			return nil
		case <-changed:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
	}
}

func (w *watcher[I, N]) behind() error {
	return fault.Unavailable("watch_behind", "the live view runs ahead of its reader by more than %d messages; watch again from the position of the last message, or from %s",
		w.hub.cfg.Keep, w.mark)
}

// replay gathers notes from a fresh fold.
type replay[I follow.Index, N any] struct {
	fold          func(index I, e lot.Recorded, apply func() error) (N, int, error)
	notes         []Note[N]
	weight, limit int
	from, mark    follow.Mark
}

// Stands notes how far it went.
func (r *replay[I, N]) Stands(at follow.Mark) { r.mark = at }

// Folds keeps what watchers are told, up to the limit; beyond it the weight alone is kept.
func (r *replay[I, N]) Folds(index I, e lot.Recorded, at follow.Mark, apply func() error) error {
	body, weight, err := r.fold(index, e, apply)
	if r.weight += weight; weight > 0 && r.weight <= r.limit {
		r.notes = append(r.notes, Note[N]{Event: e, Mark: at, Body: body, weight: weight})
	}
	return err
}

// After reads where a caller wants to go on; nothing means from now on.
func After(text string) (*follow.Mark, error) {
	if text == "" {
		return nil, nil
	}
	m, err := follow.ParseMark(text)
	return &m, err
}
