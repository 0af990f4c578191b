// Package follow keeps an index in memory that is a fold over a service's own events and the events it took in, and answers from it,
// complete as of stated positions.
//
// An index is never the record: it is made anew from the database at each start, after the service is ready, and then follows by polling
// and by being nudged after commits. The order of the fold is that of each producer, and across producers an event comes after those it
// names in `after`. Own events and taken ones are read in pages, one reader and decoder per producer.
//
//	New ──Run──▶ loading ──────▶ following ──┐ poll, Nudge
//	               │ everything committed      └──▶ folds what is new, under the index's write lock
//	               └ View waits here, inside its caller's deadline
//
// View first reads how far the database stands, then waits until the index has caught up with that, so that a caller sees what was
// committed before the call. Past makes a fresh index of exactly the positions given and leaves the live one alone.
//
// What is not in an index is said: events in quarantine, events whose Apply failed. See Gaps.
package follow
