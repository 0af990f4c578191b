// Package pgserver runs a private Postgres for one data folder, from installed binaries, as a child of this process.
//
// Under the data folder it keeps:
//
//	lock                 held (flock) by the process that owns the folder; its text is that process's id
//	postgres/            owned by the user that Postgres runs as
//	postgres/cluster     the database cluster, or absent: a half-made one never bears this name
//	postgres/cluster.new-*  an initdb that was interrupted; removed at the next start
//	postgres/run         the unix socket, the only door (no TCP), reachable by the folder's owner alone
//	postgres/server.log  what Postgres says, one older file kept
//
// Lifetimes. The child gets SIGINT (a fast, clean shutdown) from the kernel when this process dies, however it dies, where the system can do that (Linux).
// It has its own process group, so that ctrl-C at a terminal reaches this process only, which then stops it last. What a killed owner left behind is
// looked for at the next start: a Postgres still working in the cluster is stopped first, and a postmaster.pid that names an unrelated process, which
// would make Postgres refuse to start, is removed.
//
// Running as root. Postgres refuses to be root, so the child becomes the owner of postgres/, else the user postgres, else nobody. That user often may not
// enter the folders above the data folder (a home, a temporary folder). Rather than open those to everybody, or hand the child a capability, the child
// gets the folder as an open descriptor and reaches it as /proc/self/fd/3.
//
// Durability. The cluster is made with data checksums, and initdb flushes it to the disk before it gets its name. fsync, full_page_writes and
// synchronous_commit are given on the command line, where no file in the cluster can weaken them.
package pgserver
