// Package backup takes a copy of a running plant's databases, keeps it up to date, and makes a plant of it as it stood at a named moment.
//
// All three databases of a data folder lie in one Postgres cluster with one log, so a moment of that log is one moment of the whole plant.
//
//	TARGET/base        the cluster's files, copied while it runs
//	TARGET/wal         its log from the copy's beginning on, in whole segments
//	TARGET/manifest    what there is, with the digest of each file and of itself; written last
//	TARGET/unfinished  there while a first copy is being made: such a folder is no backup
//	TARGET/lock        held by the one process that writes
//
// A replication slot in the cluster keeps the log that a backup has not copied yet, up to a limit; a backup that is brought up to date later copies
// only what came since. What is covered reaches from the end of the first copy to the last time it was brought up to date: any moment between can
// be restored, since a commit is written behind the end.
//
// Restoring copies the files into a folder of another name, holding each to its digest, lets Postgres replay the log up to the moment, and gives the
// folder its name last. The database then is another copy on a timeline of its own, by which each service notices at its start that it went back, and
// raises its epoch.
package backup
