// Package postgres is how a service reaches its database: a bounded pool, transactions that are retried where Postgres asks for it, migrations, and the roles.
//
// Transactions. InTx runs a function in a READ COMMITTED transaction and runs it again, on a fresh one, after a serialization failure or a deadlock; the
// function may therefore run more than once and must touch nothing but its transaction. The caller's deadline becomes the transaction's
// statement_timeout, so that no statement outlives the request it was made for. Snapshot is the same for reads that must agree with each other.
// An error at COMMIT whose answer was lost is never retried here: its outcome is unknown, and only the caller's id can tell.
//
// Errors. What the function returns comes back as it is when it carries a fault. A failure of the database that may pass (busy, full, restarting, timed
// out) becomes a fault of kind unavailable. The others keep the driver's error inside; ask about them with IsUniqueViolation and its like, which look at
// codes and constraint names, never at text.
//
// Roles. A service NAME has the database huskline_NAME and two roles: huskline_NAME owns it and runs migrations; huskline_NAME_run serves requests,
// owns nothing, and may do only what migrations grant to it by that name:
//
//	grant select, insert on ledger_leg to huskline_inventory_run;
//	grant select, insert, update on balance to huskline_inventory_run;
//
// A table without a grant is invisible to the service, and one with select and insert alone is insert-only.
package postgres
