package follow_test

import (
	"context"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
)

// BenchmarkLoad loads 300,000 own events and as many taken ones. It takes about 5 s of processor time, on two cores half of that.
func BenchmarkLoad(b *testing.B) {
	const n = 300_000
	p := newPlant(b)
	outputs := make([]lot.RunOutput, 6)
	for i := range outputs {
		outputs[i] = lot.RunOutput{Line: int64(i + 1), Lot: lotN(i), Item: "halves", Measure: lot.ByWeight, Quantity: 1e9, Role: lot.Main, Place: "cold", At: clock}
	}
	body := lot.RunPosted{Run: "R1", Version: 1, Stage: "shell", Outputs: outputs, Final: true}
	payload, err := lotwire.Marshal(uuid.NewString(), "tester", nil, lot.Event{Lots: []lot.ID{"L1", "L2", "L3", "L4"}, Effective: clock, Body: body})
	require.NoError(b, err)
	conn, err := pgx.Connect(b.Context(), dbtest.Owner(b, p.db))
	require.NoError(b, err)
	defer conn.Close(context.Background())
	for _, sql := range []string{
		`insert into events select 1, n, gen_random_uuid(), 'run-posted', n, sha256(''), sha256(''), $1 from generate_series(1, $2::bigint) n`,
		`insert into inbox_events select 'intake', 1, n, n::text, 'run-posted', n, sha256(''), sha256(''), $1, false from generate_series(1, $2::bigint) n`,
	} {
		_, err := conn.Exec(b.Context(), sql, payload, n)
		require.NoError(b, err)
	}
	_, err = conn.Exec(b.Context(), `update head set position = $1`, n)
	require.NoError(b, err)
	_, err = conn.Exec(b.Context(), `update cursors set position = $1 where producer = 'intake'`, n)
	require.NoError(b, err)
	_, err = conn.Exec(b.Context(), `analyze`)
	require.NoError(b, err)
	for b.Loop() {
		ids, _ := view(b, p.follower())
		require.Len(b, ids, 2*n)
	}
	b.ReportMetric(float64(2*n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}
