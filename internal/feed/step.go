package feed

import "huskline/internal/lot"

// Act is what to do next for a producer.
type Act int

// Idle: wait for an offer, a head or a want. Settle: settle Decisions in order, in one transaction, then say Settled. Pull: read the
// producer's events of From's epoch after From's position, offer them as pulled, then say Pulled. Ask: ask the producer for its head and
// earlier epochs, then say Answer. Await: the next event waits for positions of others. Turn: keep To as the new cursor, then say Turned.
const (
	Idle Act = iota
	Settle
	Pull
	Ask
	Await
	Turn
)

// Verdict is what is to become of an event.
type Verdict int

// Apply: hand it to the service. Refuse: it can never be applied, set it aside with its reason. Wait: set it aside behind another.
// Repeated: the caller found its id known, so only its position counts; the feed never says so itself. Where such a find changes what is
// blocked, the caller settles up to there only.
const (
	Apply Verdict = iota + 1
	Refuse
	Wait
	Repeated
)

// ReasonChainBroken is why an event is refused whose previous hash, told by its own producer, is not the hash we hold for the event before
// it. It is an alarm.
const ReasonChainBroken = "chain_broken"

// ReasonHashWrong is why an event is refused whose hash, told by its own producer, is not that of its content. It is an alarm.
const ReasonHashWrong = "hash_wrong"

// Decision is an event with its verdict.
type Decision[T any] struct {
	Entry   Entry[T]
	Verdict Verdict
	Reason  string      // of a refusal
	Behind  lot.Receipt // what a Wait waits for
}

// Step is what to do next for a producer, with what it takes.
type Step[T any] struct {
	Act       Act
	Decisions []Decision[T] // Settle: consecutive from the cursor
	From      lot.Receipt   // Pull
	Await     []lot.Receipt // Await
	To        Cursor        // Turn
}

// Next decides for one producer. At most limit events are settled in one step; 0 means the configured batch. It has no effect but to throw
// away buffered envelopes that do not fit the chain, and to note what is waited for.
func (f *Feed[T]) Next(p lot.Producer, limit int) Step[T] {
	s := f.streams[p]
	if s == nil {
		return Step[T]{}
	}
	if limit <= 0 || limit > f.cfg.Batch {
		limit = f.cfg.Batch
	}
	end, closed := s.ends[s.cursor.Epoch]
	if closed && s.cursor.Position >= end.Position {
		next := lot.Receipt{Producer: p, Epoch: s.following(s.cursor.Epoch)}
		return Step[T]{Act: Turn, To: Cursor{Receipt: next, Hash: end.Hash}}
	}
	if decisions, await := f.settle(s, limit); len(decisions) > 0 {
		return Step[T]{Act: Settle, Decisions: decisions}
	} else if len(await) > 0 {
		for _, r := range await {
			f.Want(r)
		}
		return Step[T]{Act: Await, Await: await}
	}
	switch {
	case !s.asked:
		return Step[T]{Act: Ask}
	case Compare(s.known, s.cursor.Receipt) <= 0:
		return Step[T]{}
	case s.known.Epoch > s.cursor.Epoch && !closed:
		return Step[T]{Act: Ask}
	}
	return Step[T]{Act: Pull, From: s.cursor.Receipt}
}

// settle collects what can be settled at once, and where that is nothing, what the next event waits for.
func (f *Feed[T]) settle(s *stream[T], limit int) ([]Decision[T], []lot.Receipt) {
	var decisions []Decision[T]
	at, blocked := s.cursor, (*Quarantine)(nil)
	for len(decisions) < limit {
		e, ok := s.buffer[at.Position+1]
		if !ok {
			break
		}
		broken := e.Previous != at.Hash
		if broken && !e.Pulled {
			delete(s.buffer, e.Position)
			break
		}
		if await := f.unreached(e); len(await) > 0 {
			if len(decisions) == 0 {
				return nil, await
			}
			break
		}
		if blocked == nil {
			blocked = f.quarantine.overlay()
		}
		d := judge(e, broken, blocked)
		if d.Verdict != Apply {
			blocked.block(Held{At: e.Receipt, Lots: e.Lots})
		}
		decisions = append(decisions, d)
		at = Cursor{Receipt: e.Receipt, Hash: e.Hash}
	}
	return decisions, nil
}

func judge[T any](e Entry[T], broken bool, q *Quarantine) Decision[T] {
	d := Decision[T]{Entry: e, Verdict: Apply}
	behind, blocked := q.Behind(e.Lots)
	switch {
	case broken:
		d.Verdict, d.Reason = Refuse, ReasonChainBroken
	case e.Forged:
		d.Verdict, d.Reason = Refuse, ReasonHashWrong
	case e.Fault != "":
		d.Verdict, d.Reason = Refuse, e.Fault
	case blocked:
		d.Verdict, d.Behind = Wait, behind
	}
	return d
}

func (f *Feed[T]) unreached(e Entry[T]) []lot.Receipt {
	var await []lot.Receipt
	for _, r := range e.After {
		switch {
		case r.Producer == e.Producer:
		case r.Producer == f.cfg.Self:
			if f.cfg.Own != nil && !f.cfg.Own(r) {
				await = append(await, r)
			}
		case !f.Reached(r):
			await = append(await, r)
		}
	}
	return await
}

// Settled moves the cursor over decisions that were committed, with the verdicts they were committed with: a Settle step's, or its first ones.
func (f *Feed[T]) Settled(decisions []Decision[T]) {
	for _, d := range decisions {
		e := d.Entry
		s := f.streams[e.Producer]
		if s == nil {
			continue
		}
		switch d.Verdict {
		case Refuse:
			f.quarantine.Add(Held{At: e.Receipt, Lots: e.Lots})
		case Wait:
			f.quarantine.Add(Held{At: e.Receipt, Lots: e.Lots, Behind: d.Behind})
		}
		delete(s.buffer, e.Position)
		s.cursor = Cursor{Receipt: e.Receipt, Hash: e.Hash}
		s.know(e.Receipt)
	}
}

// Pulled notes that a pull after from ran to its end. Where it brought nothing new, what was heard of beyond the cursor was false, or is
// not there yet: it is forgotten until it is heard of again.
func (f *Feed[T]) Pulled(from lot.Receipt) {
	s := f.streams[from.Producer]
	if s == nil || s.cursor.Receipt != from {
		return
	}
	if _, ok := s.buffer[from.Position+1]; ok {
		return
	}
	clear(s.buffer)
	s.known = s.cursor.Receipt
}

// Turned moves a producer's cursor into its next epoch.
func (f *Feed[T]) Turned(to Cursor) {
	if s := f.streams[to.Producer]; s != nil {
		clear(s.buffer)
		s.cursor = to
		s.know(to.Receipt)
		s.know(s.head)
	}
}
