// Package seal lets stored rows show that they were changed behind their service. A row's seal is the SHA-256 of the row as text, set whenever the
// service's own roles write it; verify names a row that does not fit its seal. A seal decides nothing and refuses nothing, and whoever can act as the
// service can seal again: it shows an accident or a meddler with the database, not one with the service's password.
//
// A table gets its seals by seal_table('name') in a migration, which sets a trigger. The trigger costs as much as a small row, and once more for each
// connection's first row, so tables that many rows go into take seal_table('name', true), and every statement that writes them brings the seal
// along: inserts by Insert, updates by Of.
package seal

import (
	"embed"
	"strings"
)

// Migrations holds the functions behind the seals. The name of the run-time role stands as @RUN_ROLE@.
//
//go:embed migrations/*.sql
var Migrations embed.FS

// Insert is an insert whose rows bring their seal along. The rows come from source, a select that gives the table's columns in the table's own order,
// each with the column's type; the table's last column is the seal. What may follow an insert can be put behind it. A row whose columns come in
// another order does not fit its seal.
func Insert(table, columns, source string) string {
	return "insert into " + table + " (" + columns + ", seal) select r.*, " + Of("r.*") + " from (" + strings.TrimSpace(source) + ") as r"
}

// Of is the seal of a row that has these values: all of the table's columns in the table's own order, each with its column's type.
func Of(values string) string { return "sha256(convert_to(row(" + values + ", null)::text, 'UTF8'))" }
