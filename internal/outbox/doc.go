// Package outbox keeps a producer's own events in the transaction that made them, as a dense and provable sequence, and tells the bus about
// them afterwards.
//
// One row, head, holds the newest position and its hash. Append is one statement per event: it advances head, which locks the row until
// the transaction ends, and inserts the event. So positions have no gaps and are in the order of commits; a transaction that is undone
// leaves nothing. Because all writers queue at that row, Append is the last thing that a transaction does.
//
// The hash of an event covers the hash before it, so a head that somebody else wrote down proves everything before it. The first event of
// a later epoch continues the hash of the epoch before, where the restored database had it.
//
// The relay is a convenience: consumers can read every event from the producer (Read), and learn from heads that there are some. It
// publishes in order, moves its cursor behind what was taken, and publishes again what a crash or a second relay made it forget; consumers
// know an event by its id. What lies more than 1,000 positions back it leaves to be read from the producer.
package outbox
