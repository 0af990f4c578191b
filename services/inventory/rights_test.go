package inventory_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/postgres"
)

// What is only ever added cannot be changed by the service itself. The deliberate break it catches: a grant too many.
func TestRecordsAreInsertOnly(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	require.EqualValues(t, 100, p.onHand("D-1"))
	for _, sql := range []string{
		`update legs set quantity = quantity + 1`, `delete from legs`, `delete from claims`, `update claims set claimant = 'x'`, `delete from facts`,
		`update run_lines set quantity = 1`, `delete from movement_tries`, `update count_entries set counted = 0`, `delete from holds`,
		`delete from hold_flags`, `delete from dispositions`, `update shipments set consignee = 'x'`, `update events set payload = ''`,
		`delete from balances`, `delete from lots`, `truncate legs`,
	} {
		_, err := p.db.Pool().Exec(t.Context(), sql)
		require.True(t, postgres.IsForbidden(err), "%s: %v", sql, err)
	}
}
