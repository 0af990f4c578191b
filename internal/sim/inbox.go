package sim

import (
	"context"
	"errors"
	"slices"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/feed"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
)

// item goes along with an entry of the feed.
type item struct {
	event   lot.Recorded
	payload [32]byte // its digest
}

// asideRow is an event in quarantine.
type asideRow struct {
	held   feed.Held
	event  lot.Recorded
	reason string
}

// entryOf reads an envelope. One that its producer made is read once.
func (w *World) entryOf(env *eventv1.Envelope, pulled bool) feed.Entry[item] {
	e, ok := w.decoded[env]
	if !ok {
		e = entryOf(env)
		w.decoded[env] = e
	}
	e.Pulled = pulled
	if w.broken == IgnoreAfter {
		e.After = nil
	}
	return e
}

// entryOf reads an envelope as the inbox does.
func entryOf(env *eventv1.Envelope) feed.Entry[item] {
	e := feed.Entry[item]{
		Receipt:  lot.Receipt{Producer: lot.Producer(env.GetProducer()), Epoch: env.GetEpoch(), Position: env.GetPosition()},
		Previous: feed.Hash(env.GetPreviousHash()), Hash: feed.Hash(env.GetHash()), Forged: lotwire.Verify(env) != nil,
	}
	event, err := lotwire.Unmarshal(env)
	if err != nil {
		e.Fault = fault.ReasonOf(err)
	}
	e.Value = item{event, digest(env.GetPayload())}
	e.Lots = feed.Lots(event.Event)
	for _, r := range event.After {
		if r.Epoch >= 1 && r.Position >= 1 {
			e.After = append(e.After, r)
		}
	}
	return e
}

// load reads cursors and quarantine.
func (s *service) load() {
	var cursors []feed.Cursor
	for _, c := range s.cursors.All() {
		cursors = append(cursors, c)
	}
	s.feed = feed.New[item](feed.Config{Self: s.name, Producers: s.others(), Buffer: 300, Batch: 8}, cursors, s.heldRows())
}

func (s *service) heldRows() []feed.Held {
	var held []feed.Held
	for _, a := range s.aside.All() {
		held = append(held, a.held)
	}
	return held
}

// offer takes an envelope from the bus.
func (s *service) offer(env *eventv1.Envelope) {
	if c, _ := s.feed.Cursor(lot.Producer(env.GetProducer())); env.GetPosition() <= c.Position {
		return // it is not even read
	}
	if s.feed.Offer(s.w.entryOf(env, false)) == feed.Dead {
		s.w.fail(errors.New("an event of a dead epoch where no epoch ever ended"))
	}
}

// take begins the next step of taking in a producer's events. Two may be under way, as those of two processes.
func (s *service) take(p lot.Producer) {
	if s.w.busy(s.name, "inbox "+string(p)) < 2 {
		s.w.spawn(s.name, "inbox "+string(p), func() { s.inbox(p) })
	}
}

func (s *service) inbox(p lot.Producer) {
	w := s.w
	step := s.feed.Next(p, 1+w.rng.IntN(8))
	w.note("inbox of %s for %s: act %d, %d decisions", s.name, p, step.Act, len(step.Decisions))
	other := w.service(p)
	switch step.Act {
	case feed.Settle:
		s.settle(step.Decisions)
	case feed.Pull:
		w.pause()
		if !other.up || !w.reachable(s.name, p) {
			return
		}
		for _, env := range other.db.Events(step.From.Position) {
			s.feed.Offer(w.entryOf(env, true))
		}
		s.feed.Pulled(step.From)
	case feed.Ask:
		w.pause()
		if !other.up || !w.reachable(s.name, p) {
			return
		}
		head := other.db.Head()
		at := lot.Receipt{Producer: p, Epoch: head.Epoch, Position: head.Position}
		if finding := s.feed.Answer(at, head.Hash, nil); finding != feed.Sound {
			w.fail(errors.New("a producer's past is another than was taken in"))
		}
	case feed.Turn:
		w.fail(errors.New("the feed turns to another epoch where there is but one"))
	}
}

// errMoved is a cursor that stands elsewhere than the decisions follow.
var errMoved = errors.New("the inbox was moved on")

// settle commits decisions with their effects. Where one fails, those before it are committed, and then it is set aside by itself.
func (s *service) settle(decisions []feed.Decision[item]) {
	for len(decisions) > 0 {
		final, failed, err := s.commit(decisions)
		switch {
		case err == nil:
			s.feed.Settled(final)
			return
		case failed < 0 || errors.Is(err, errMoved) || fault.KindOf(err) == fault.KindUnavailable:
			s.load() // what was committed is not known
			return
		case failed > 0:
			decisions = decisions[:failed]
		default:
			decisions = decisions[:1]
			decisions[0].Verdict, decisions[0].Reason = feed.Refuse, orInternal(fault.ReasonOf(err))
			s.w.note("%s sets %v aside: %v", s.name, decisions[0].Entry.Receipt, err)
			s.w.alarms = append(s.w.alarms, err.Error())
			s.w.bug(err)
		}
	}
}

func orInternal(reason string) string {
	if reason == "" {
		return "internal"
	}
	return reason
}

func (s *service) commit(decisions []feed.Decision[item]) (final []feed.Decision[item], failed int, err error) {
	if s.w.broken == AckFirst {
		s.ack(decisions)
	}
	err = s.db.InReplayableTx(context.Background(), func(ctx context.Context, _ pgx.Tx) error {
		final, failed = nil, -1
		first := decisions[0].Entry
		if c, _ := s.cursors.Get(string(first.Producer)); c.Position != first.Position-1 && s.w.broken != Unchecked && s.w.broken != AckFirst {
			return errMoved
		}
		for i, d := range decisions {
			asked := d.Verdict
			d, err := s.judge(d)
			if err != nil {
				return err
			}
			if d.Verdict == feed.Apply {
				failed = i
				if err := s.domain.Apply(ctx, d.Entry.Value.event); err != nil {
					return err
				}
				failed = -1
			}
			s.write(d)
			final = append(final, d)
			if d.Verdict != asked && (asked != feed.Apply || d.Verdict == feed.Refuse) {
				break // the rest was judged with other lots blocked
			}
		}
		return nil
	})
	return final, failed, err
}

// ack moves the cursor over decisions before they have an effect, which is a break.
func (s *service) ack(decisions []feed.Decision[item]) {
	last := decisions[len(decisions)-1].Entry
	_ = s.db.InReplayableTx(context.Background(), func(context.Context, pgx.Tx) error {
		s.cursors.Put(string(last.Producer), feed.Cursor{Receipt: last.Receipt, Hash: last.Hash})
		return nil
	})
}

// judge finds ids that were known before: the same event again only moves the position, another under the same id is refused.
func (s *service) judge(d feed.Decision[item]) (feed.Decision[item], error) {
	before, seen := s.kept.Get(d.Entry.Value.event.EventID)
	seen = seen && s.w.broken != Unchecked
	switch {
	case d.Reason == feed.ReasonChainBroken || d.Reason == feed.ReasonHashWrong:
	case seen && before == d.Entry.Value.payload:
		d.Verdict, d.Reason, d.Behind = feed.Repeated, "", lot.Receipt{}
	case seen:
		d.Verdict, d.Reason, d.Behind = feed.Refuse, "event_id_reused", lot.Receipt{}
	case d.Verdict == feed.Wait && !s.open(d.Behind):
		return d, errMoved
	}
	return d, nil
}

func (s *service) open(at lot.Receipt) bool {
	return slices.ContainsFunc(s.heldRows(), func(h feed.Held) bool { return h.At == at })
}

// write keeps what was decided, with the cursor.
func (s *service) write(d feed.Decision[item]) {
	e := d.Entry
	if e.Value.event.EventID != "" {
		s.kept.Put(e.Value.event.EventID, e.Value.payload)
	}
	switch d.Verdict {
	case feed.Apply:
		s.settled.Add(e.Value.event)
	case feed.Refuse, feed.Wait:
		n := int64(1)
		if keys := s.aside.Keys(); len(keys) > 0 {
			n = keys[len(keys)-1] + 1
		}
		s.aside.Put(n, asideRow{feed.Held{At: e.Receipt, Lots: e.Lots, Behind: d.Behind}, e.Value.event, d.Reason})
	}
	s.cursors.Put(string(e.Producer), feed.Cursor{Receipt: e.Receipt, Hash: e.Hash})
}

// release tries what is in quarantine again, oldest first, as after an update to the version that can read it.
func (s *service) release() {
	q := feed.NewQuarantine(s.heldRows())
	for _, h := range q.Held() {
		if h.Waiting() {
			continue
		}
		_, err := q.Release(h.At, s.releaseOne)
		s.w.bug(err)
	}
	s.load()
}

func (s *service) releaseOne(h feed.Held) (bool, error) {
	err := s.db.InTx(context.Background(), func(ctx context.Context, _ pgx.Tx) error {
		for n, a := range s.aside.All() {
			if a.held.At != h.At {
				continue
			}
			if a.event.Body != nil {
				if err := s.domain.Apply(ctx, a.event); err != nil {
					return err
				}
			}
			s.settled.Add(a.event)
			s.aside.Delete(n)
		}
		return nil
	})
	if err != nil {
		s.w.note("%s keeps %v aside: %v", s.name, h.At, err)
		s.w.alarms = append(s.w.alarms, err.Error())
	}
	return err == nil, nil
}

// reached tells whether places are settled here.
func (s *service) reached(at lot.Receipt) bool { return s.feed.Reached(at) }

// patience is how many pauses somebody waits for events before giving up.
const patience = 40

// waitFor waits for a place, and has it pulled.
func (s *service) waitFor(at lot.Receipt) bool {
	for range patience {
		if s.reached(at) {
			return true
		}
		s.feed.Want(at)
		for _, p := range s.others() {
			s.take(p)
		}
		s.w.pause()
	}
	return s.reached(at)
}

// reach takes in what the others have said by now, and names those that could not be asked.
func (s *service) reach(context.Context) (away []string) {
	for _, p := range s.others() {
		other := s.w.service(p)
		s.w.pause()
		if !other.up || !s.w.reachable(s.name, p) {
			away = append(away, string(p)+": cannot be reached")
			continue
		}
		head := other.db.Head()
		if !s.waitFor(lot.Receipt{Producer: p, Epoch: head.Epoch, Position: head.Position}) {
			away = append(away, string(p)+": not caught up with")
		}
	}
	return away
}
