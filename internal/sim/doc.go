// Package sim runs the pure parts of the three services against each other in one thread, from one seed: the feed, the ledger, the posting protocol,
// the spreading of holds and cost, over databases, a bus, a network and clocks in memory. Between any two steps a fault may come. It is for
// tests only.
//
// A step is what happens between two pauses of a task. Tasks are coroutines: a caller of a command, a call on its way into a service, the relay, the
// inbox, the sweeper, the spreading of a hold. The scheduler draws who goes on; nothing else decides, so that a seed is a schedule:
//
//	┌────────────┐ draws  ┌─────────────────────────────────────────────┐
//	│ scheduler  │ ─────▶ │ a task goes on · a message is delivered ·    │ ──▶ transaction judged at its commit
//	└────────────┘        │ a background job begins · a fault            │
//	      ▲               └─────────────────────────────────────────────┘
//	      └── until all callers are answered; then everything heals, drains, and the whole is judged
//
// What is real: the services' domains and doors, command.Run and command.Post, the feed, the event bytes and their chain. What stands in for SQL is
// in sim/mem and in services/NAME/sim; there transactions run one after the other, so races within a transaction are for the storm to find. The
// inbox's statements are modelled here, after those of package inbox.
package sim
