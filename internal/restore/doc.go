// Package restore lets a service whose database went back to an earlier moment notice it at start and heal without a person.
//
// At start no write is let through (Gate) until the others were asked how much of this service's past they have applied. If one knows more
// than the database, or the database is another copy than the last time, the present epoch ends where it stands and a greater one begins.
// Then the events that followed that end are taken back from the others' inboxes, in their old order, under their old ids and with their old
// recorded times, so that the lost event number k is number k of the new epoch; each has its effect on the service's own state made again
// (Reapply) in the transaction that appends it. Only then are writes let through.
//
//	start ─▶ ask the others ─▶ nobody knows more, same copy ──────────────────────────────▶ open
//	             │                                                                            ▲
//	             ├─▶ somebody knows more, or another copy ─▶ raise the epoch ─▶ take back ────┘
//	             └─▶ another copy, nobody answers: read only, ask again
//
// Order. A lost event builds on events of others that its database may have lost as well: it waits until the inbox has applied them again.
// Events of others that build on a lost event wait for it in the inbox (Own). Both follow the order in which things happened, so neither
// waits for ever. What cannot be made again (Reapply refuses) is appended all the same, since the others hold it, and is noted with its reason
// and an alarm.
//
// Silence. A service that does not answer is waited for, longer where a restore is known; then the others are enough. It is asked on, and
// what it alone had kept is taken back when it answers; the new epoch's number then leaves room for epochs that only it may know. Each step
// can be repeated: a crash in the middle goes on at the next start, and ids that are here are not taken again.
//
// Limits. What nobody had applied is lost: the head that a client or another service only heard of raises no epoch. A restored copy that
// cannot be told from the one before (files of the same cluster put back in place) is noticed by the others alone, so when all of them are
// silent at that start it goes on in its old epoch. Commands of the lost part are unknown by their ids, but their events bear
// a trace of the command, by which the command is found (see package command); one that said no event is done again. Rows that no event
// tells of (tokens, intents without an outcome, refusals) are those of the earlier moment.
package restore
