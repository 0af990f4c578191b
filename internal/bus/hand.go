package bus

import (
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// hand holds the messages of one request that the server has given out and not yet heard of again: those that wait here and those in work. The server is
// told of both, else a message that waits behind a slow one would come a second time.
type hand struct {
	mu      sync.Mutex
	waiting []jetstream.Msg
	inWork  []jetstream.Msg

	arrived  chan struct{} // holds one token while there may be something waiting
	all      chan struct{} // closed when nothing more will come
	finished chan struct{} // closed when the worker has answered all
	ended    chan struct{} // closed when hold has returned
}

func newHand() *hand {
	return &hand{
		arrived: make(chan struct{}, 1), all: make(chan struct{}),
		finished: make(chan struct{}), ended: make(chan struct{}),
	}
}

// hold takes in messages until their channel is closed, and tells the server every so often that they are in hand, until release.
func (h *hand) hold(messages <-chan jetstream.Msg, every time.Duration) {
	defer close(h.ended)
	tick := time.NewTicker(every)
	defer tick.Stop()
	for {
		select {
		case m, open := <-messages:
			if !open {
				close(h.all)
				messages = nil
				continue
			}
			h.put(m)
		case <-tick.C:
			h.keep()
		case <-h.finished:
			return
		}
	}
}

func (h *hand) put(m jetstream.Msg) {
	h.mu.Lock()
	h.waiting = append(h.waiting, m)
	h.mu.Unlock()
	select {
	case h.arrived <- struct{}{}:
	default:
	}
}

// keep may send a word about a message just answered, which does no harm.
func (h *hand) keep() {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, m := range h.inWork {
		m.InProgress()
	}
	for _, m := range h.waiting {
		m.InProgress()
	}
}

// take waits for messages and returns all that have arrived, nothing when no more will come. What it returned before counts as answered.
func (h *hand) take() []jetstream.Msg {
	for {
		h.mu.Lock()
		h.inWork, h.waiting = h.waiting, nil
		batch := h.inWork
		h.mu.Unlock()
		if len(batch) > 0 {
			return batch
		}
		select {
		case <-h.arrived:
		case <-h.all:
			// The channel was closed after its last message was put.
			h.mu.Lock()
			defer h.mu.Unlock()
			h.inWork, h.waiting = h.waiting, nil
			return h.inWork
		}
	}
}

// release ends hold and waits for it.
func (h *hand) release() {
	close(h.finished)
	<-h.ended
}
