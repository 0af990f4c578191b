package sim

import (
	"huskline/internal/feed"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Break is a deliberate fault of the simulation's own protocol, by which it is shown that such a fault is found.
type Break string

// The breaks: the cursor jumps to what has just come; events are applied without what they name in `after`; neither cursor nor event id are compared
// when decisions are committed; the cursor is committed before the effect; no commit waits for the disk; a movement gets a new id with each call; a
// caller makes a new command id for each try; why a try was refused is not kept; what a hold must still reach is kept in memory only.
const (
	None            Break = ""
	SkipGap         Break = "cursor skips a gap"
	IgnoreAfter     Break = "after is ignored"
	Unchecked       Break = "neither cursor nor id compared"
	AckFirst        Break = "cursor before effect"
	CommitLazy      Break = "commits wait for no disk"
	FreshMovement   Break = "movement id made anew"
	FreshCommand    Break = "command id made anew"
	RefusalLost     Break = "refusal is not kept"
	SpreadForgotten Break = "frontier kept in memory"
)

// Breaks lists all.
func Breaks() []Break {
	return []Break{SkipGap, IgnoreAfter, Unchecked, AckFirst, CommitLazy, FreshMovement, FreshCommand, RefusalLost, SpreadForgotten}
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
