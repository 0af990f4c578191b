// Package bus is the doorbell between the services: lot events over a NATS JetStream stream, and heads over plain NATS.
//
// The stream is a cache. It may be deleted, purged, restored old or lost at any moment, and it may repeat, reorder or withhold messages; nothing rests on
// it but speed. What makes that harmless is elsewhere: a producer's events have dense positions, a consumer that misses one asks the producer, and heads
// tell it that there is something to miss. So here nothing is kept for a server that is away (no reconnect buffer: a publish then fails at once, and is
// not stored later behind the caller's back), no order is promised, and acknowledgements only save repeats.
//
// Subjects: lots.<producer>.<type> in the stream LOTS, with the event's id as message id; heads.<producer> beside it, unstored.
//
// A Conn reconnects for ever. Consume is a supervisor: it makes the stream and the durable consumer from the definition here whenever they are missing,
// says so to its owner, who then asks the producers for what the old stream may have held, and goes on.
//
//	     server away, stream gone, no heartbeat
//	   ┌────────────────────────────────────────┐
//	   ▼                                        │
//	ensure ──▶ was it missing, or another? ──▶ fetch ──▶ handle ──▶ ack, nak or term
//	   │             yes: OnRecreated           ▲                       │
//	   └─ again after a pause                   └───────────────────────┘
package bus
