package sim

import (
	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Break is a deliberate fault of the simulation's own protocol, by which it is shown that such a fault is found.
type Break string

// The breaks: the cursor jumps to what has just come; events are applied without what they name in `after`; decisions are committed wherever the
// cursor stands; a movement gets a new id with each call; a caller makes a new command id for each try; the cursor is committed before the effect;
// a crash takes back the last commit; the spreading of a hold is forgotten in a crash; a refusal is not kept; one event is dropped from a page.
const (
	None            Break = ""
	SkipGap         Break = "cursor skips a gap"
	IgnoreAfter     Break = "after is ignored"
	CursorUnchecked Break = "cursor is not compared"
	FreshMovement   Break = "movement id made anew"
	FreshCommand    Break = "command id made anew"
	AckFirst        Break = "cursor before effect"
	CommitLost      Break = "commit lost in a crash"
)

// Breaks lists all.
func Breaks() []Break {
	return []Break{SkipGap, IgnoreAfter, CursorUnchecked, FreshMovement, FreshCommand, AckFirst, CommitLost}
}

// skipTo puts the feed's cursor right before an envelope, whatever lies between.
func (s *service) skipTo(env *eventv1.Envelope) {
	p := lot.Producer(env.GetProducer())
	c, _ := s.feed.Cursor(p)
	if env.GetPosition() <= c.Position+1 {
		return
	}
	c.Position, c.Hash = env.GetPosition()-1, feed.Hash(env.GetPreviousHash())
	s.cursors.Put(string(p), c)
	s.db.Log.Forget()
	s.feed.Reload([]feed.Cursor{c}, s.heldRows())
}
