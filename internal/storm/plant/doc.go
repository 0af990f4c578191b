// Package plant runs a whole plant that is there to be broken: three serve processes, a Postgres and a NATS of their own, each reached through a
// proxy, on a file system of their own where the machine allows one.
//
//	client ─▶ door proxy ─▶ service ─▶ proxy ─▶ Postgres
//	                        │  └────▶ proxy ─▶ NATS (a process)
//	                        └───────▶ proxy ─▶ each other service
//
// A service that ends is started again, as a supervisor would; so is a NATS. Whatever ends otherwise than it was made to is remembered, see Ends.
package plant
