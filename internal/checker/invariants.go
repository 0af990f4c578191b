package checker

import "context"

// invariant is one rule that must hold at every quiet point.
type invariant struct {
	name, says string
	check      func(context.Context, *state, *Finding)
}

// invariants is the table of all of them; their order is the report's.
func invariants() []invariant {
	return []invariant{
		{"legs sum to zero", "the legs of a movement add up to nothing, in pounds and in pieces; losses are accounts too", legsSumToZero},
		{"nothing below zero", "no lot stands below zero at any place for any owner, at any commit", nothingBelowZero},
		{"closed runs balance", "inputs = outputs + recorded loss, once per version of a run", runsBalance},
		{"owners keep their nuts", "a grower's own nuts change owner by a purchase alone", ownersKeep},
		{"cents in are cents out", "dollars that came in are there, went out or were written off; rounding makes or loses none", centsAdd},
		{"batches reach receipts", "every finished batch reaches receipts, and drills forward and backward agree pair by pair", reachReceipts},
		{"no lot made from itself", "lineage has no cycle, and no output was accepted before its inputs", noCycle},
		{"answers are kept", "what was answered OK is still there", answersKept},
		{"one effect per key", "the same key and message has one effect and one answer", oneEffect},
		{"change and event together", "positions are dense per producer and epoch, and every event is an accepted command's", denseEvents},
		{"events arrive", "every event reaches every consumer within the wait, and takes effect once", eventsArrive},
		{"positions in order", "positions are applied 1, 2, 3 …, after those each event names", inOrder},
		{"state is the fold of the log", "every derived row is what the events come to", foldOfLog},
		{"hold wins", "what a hold covers moves only under a disposition; every descendant of a safety hold is held or excluded with a reason", holdWins},
		{"insert-only is insert-only", "the run-time role cannot update, delete or truncate what is only ever added to", insertOnlyHolds},
		{"chain verifies", "every event follows its predecessor by hash, and every published head is a prefix", chainVerifies},
		{"separate hands", "who graded does not pay; paid lines never change; a recall hold needs a second person", separateHands},
		{"no clock decides", "no order and no duplicate is decided by a wall clock", noClock},
		{"within limits", "queues, parked events and work under way stay inside their limits", withinLimits},
		{"cursor accounts for all", "positions up to the cursor = applied + quarantined", cursorAccounts},
	}
}
