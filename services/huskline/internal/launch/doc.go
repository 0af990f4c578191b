// Package launch puts the program's services together and starts and stops them: all three in one process with their own private Postgres
// and bus (a Plant), or one of them against a given Postgres and bus.
//
// A plant in one process is the same system as three: the services speak gRPC to each other over in-memory connections, one per caller, which is
// the caller's identity, and hear each other's events over NATS; each has only its own database and roles.
//
//	start:  folder lock and Postgres · bus · databases, roles, migrations · services · doors · endpoint file
//	stop:   doors (no new calls, at most 10 s for those in work) · services · databases · bus · Postgres
package launch
