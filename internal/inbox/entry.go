package inbox

import (
	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
)

// item is what goes along with an entry of the feed.
type item struct {
	env    *eventv1.Envelope
	event  lot.Recorded // its id, lots and `after` also where the body could not be read
	detail string       // why it cannot be applied; empty where it can
}

// entryOf decodes an envelope. What cannot be read becomes an entry with a fault, so that it is set aside under its own position.
func entryOf(env *eventv1.Envelope, pulled bool) feed.Entry[item] {
	e := feed.Entry[item]{
		Receipt:  lot.Receipt{Producer: lot.Producer(env.GetProducer()), Epoch: env.GetEpoch(), Position: env.GetPosition()},
		Previous: hashOf(env.GetPreviousHash()),
		Hash:     hashOf(env.GetHash()),
		Pulled:   pulled,
		Forged:   lotwire.Verify(env) != nil,
		Value:    item{env: env},
	}
	event, err := lotwire.Unmarshal(env)
	if err != nil {
		e.Fault = reasonOf(err)
		e.Value.detail = err.Error()
	} else if event.EventID == "" {
		e.Fault, e.Value.detail = "event_malformed", "an event without an id"
	}
	e.Value.event = event
	e.Lots = feed.Lots(event.Event)
	for _, r := range event.After {
		if r.Epoch >= 1 && r.Position >= 1 {
			e.After = append(e.After, r)
		}
	}
	return e
}

func headOf(h *eventv1.Head) (lot.Receipt, feed.Hash) {
	at := h.GetAt()
	return lot.Receipt{Producer: lot.Producer(at.GetProducer()), Epoch: at.GetEpoch(), Position: at.GetPosition()}, hashOf(h.GetHash())
}

// hashOf copies a hash; one of another length is none, and fits no link but the first.
func hashOf(b []byte) (h feed.Hash) {
	if len(b) == len(h) {
		copy(h[:], b)
	}
	return h
}

// reasonOf is the stable reason under which an event is set aside.
func reasonOf(err error) string {
	if reason := fault.ReasonOf(err); reason != "" {
		return reason
	}
	return "internal"
}
