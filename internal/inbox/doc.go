// Package inbox takes in the events of the other producers: each takes effect exactly once, in its producer's order and after those it
// builds on, and its bytes are kept.
//
// Package feed decides, this package does. One goroutine per source asks the feed for the next step: it settles up to 256 consecutive
// events in one transaction, which holds their effects, their payloads and the new position; or pulls from the producer; or waits.
// Envelopes and heads from the bus come in through Offer and HeadSeen, which never block and may be lost, repeated, reordered or forged:
// whatever the bus does not bring is pulled, and what it brings is believed only when it fits the producer's chain.
//
// A batch that fails is cut down until the event that cannot be applied stands alone; that one goes to quarantine, whose later events wait
// behind it (see feed). A failure that may pass (database away, out of time, fault of kind unavailable) is tried again for as long as it
// takes and puts nothing into quarantine.
//
// Several processes may run an inbox on one database: the cursor's row is locked and compared in each transaction, and whoever finds it
// moved reads the tables anew.
package inbox
