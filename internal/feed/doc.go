// Package feed decides, for a service that takes in the events of others, what to do next: apply these, ask their producer for those, wait, or
// set one aside. It is a plain value without clock, lock or I/O: the same calls in the same order give the same decisions, so that it can be simulated.
//
// Positions. A producer numbers its events 1, 2, 3 … per epoch. The feed keeps a cursor per producer: the epoch and the position up to which
// every event has been settled, that is applied, known from before, or set aside. Nothing is ever skipped. Envelopes offered ahead of the cursor are
// buffered up to a limit; what is further ahead is only remembered to be there. A gap, a head that is further on, or somebody's wait makes the feed ask
// for a pull. An envelope is taken only when its previous hash is the hash at the cursor. One from the bus that does not
// fit is thrown away and pulled; one from its own producer that does not fit is set aside and is an alarm, since that producer's past has changed.
//
//	          further on is known              the next one is here
//	┌──────┐ ───────────────────────▶ ┌──────┐ ────────────────────────▶ ┌────────┐ ──┐ and the next
//	│ Idle │                          │ Pull │                           │ Settle │   │
//	└──────┘ ◀─────────────────────── └──────┘ ◀──────────────────────── └────────┘ ◀─┘
//	   ▲        it brought nothing               the next one is not here  │    ▲
//	   │                                                                   │    │
//	   └────────────────── nothing further on is known ────────────────────┤    │ the others' cursors
//	                                                                       │    │ have moved
//	                                        its `after` is not reached     ▼    │
//	                                                                     ┌────────┐
//	                        the others are asked for what is waited for  │ Await  │
//	                                                                     └────────┘
//
// Two more stand before these: Ask, once after the start and whenever a higher epoch is heard of whose past is not known; and Turn, when the
// cursor stands at the end of a closed epoch, which moves it to position 0 of the next.
//
// Order. Per producer events settle in position order, each after the events of other producers that it names in `after`.
//
// Epochs. A producer that was restored to an earlier moment raises its epoch and tells where the earlier ones ended. The feed settles an
// earlier epoch up to that end, then goes on with the next at 0. Events above the end are dead; an `after` that names one stands for the
// place where it is taken back (the lost events come first in the new epoch, in their old order).
//
// Quarantine. An event that can never be applied is set aside with its reason, the cursor moves on, and all lots it names or creates are
// blocked. A later event that names a blocked lot waits behind it and blocks its own lots in turn, so that no lot ever sees its events out
// of order; events of other lots flow.
package feed
