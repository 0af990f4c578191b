package postgres_test

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/postgres"
)

func run(sql string, args ...any) func(context.Context, pgx.Tx) error {
	return func(ctx context.Context, tx pgx.Tx) error {
		_, err := tx.Exec(ctx, sql, args...)
		return err
	}
}

func pounds(t *testing.T, db *postgres.DB, lot string) (got int64) {
	t.Helper()
	require.NoError(t, db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select coalesce(sum(pounds), -1)::bigint from balance where lot = $1`, lot).Scan(&got)
	}))
	return got
}

func TestInTxCommitsOrLeavesNothing(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	require.NoError(t, db.InTx(t.Context(), run(`insert into balance values ('A', 5)`)))
	refused := fault.Precondition("short", "lot A is short")
	err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		if err := run(`update balance set pounds = 9`)(ctx, tx); err != nil {
			return err
		}
		return refused
	})
	if !errors.Is(err, refused) {
		t.Errorf("got %v, want the function's own error", err)
	}
	require.Panics(t, func() {
		db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
			run(`update balance set pounds = 9`)(ctx, tx)
			panic("a bug in a rule")
		})
	})
	if got := pounds(t, db, "A"); got != 5 {
		t.Errorf("balance %d, want 5: a failed function left an effect", got)
	}
	if n := db.Pool().Stat().AcquiredConns(); n != 0 {
		t.Errorf("%d connections are still out", n)
	}
}

// Two transactions that lock two rows in opposite order: Postgres ends one, which must be run again.
// Catches: no retry on 40P01.
func TestInTxRunsADeadlockedTransactionAgain(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	require.NoError(t, db.InTx(t.Context(), run(`insert into balance values ('A', 0), ('B', 0)`)))
	var met sync.WaitGroup
	met.Add(2)
	errs := make(chan error, 2)
	for _, lots := range [][]string{{"A", "B"}, {"B", "A"}} {
		first := sync.OnceFunc(func() {
			met.Done()
			met.Wait()
		})
		go func() {
			errs <- db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
				if err := run(`update balance set pounds = pounds + 1 where lot = $1`, lots[0])(ctx, tx); err != nil {
					return err
				}
				first()
				return run(`update balance set pounds = pounds + 1 where lot = $1`, lots[1])(ctx, tx)
			})
		}()
	}
	require.NoError(t, <-errs)
	require.NoError(t, <-errs)
	for _, lot := range []string{"A", "B"} {
		if got := pounds(t, db, lot); got != 2 {
			t.Errorf("lot %s has %d, want 2: each of two transactions took effect once", lot, got)
		}
	}
}

func TestRetriesAreBounded(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	for _, tc := range []struct {
		name, code string
		tries      int
		kind       fault.Kind
	}{
		{"serialization failure", "40001", 8, fault.KindUnavailable},
		{"deadlock", "40P01", 8, fault.KindUnavailable},
		{"lock not available", "55P03", 1, fault.KindUnavailable},
		{"disk full", "53100", 1, fault.KindUnavailable},
		{"disk failed", "58030", 1, fault.KindUnavailable},
		{"a rule in SQL", "23514", 1, fault.KindInternal},
	} {
		t.Run(tc.name, func(t *testing.T) {
			t.Parallel()
			tries := 0
			err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
				tries++
				return run(`do $$ begin raise exception 'made' using errcode = '`+tc.code+`'; end $$`)(ctx, tx)
			})
			if tries != tc.tries {
				t.Errorf("ran %d times, want %d", tries, tc.tries)
			}
			if got := fault.KindOf(err); got != tc.kind {
				t.Errorf("kind %v of %v, want %v", got, err, tc.kind)
			}
			if got := postgres.Code(err); got != tc.code {
				t.Errorf("code %q is lost, want %s", got, tc.code)
			}
		})
	}
}

// Catches: a deadline that only the client knows; the server would work on for the pool's thirty seconds.
func TestTheDeadlineReachesTheServer(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	var set string
	require.NoError(t, db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select current_setting('statement_timeout')`).Scan(&set)
	}))
	limit, err := time.ParseDuration(set)
	require.NoError(t, err)
	if limit <= 0 || limit > 2*time.Second {
		t.Errorf("statement_timeout %v, want at most the 2 s left", limit)
	}

	ctx, cancel = context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	err = db.InTx(ctx, run(`select pg_sleep(20)`))
	if got := fault.ReasonOf(err); got != "database_timeout" {
		t.Errorf("got %v, want a timeout", err)
	}
	ctx, cancel = context.WithDeadline(t.Context(), time.Unix(0, 0))
	defer cancel()
	if err := db.InTx(ctx, run(`select 1`)); fault.KindOf(err) != fault.KindUnavailable {
		t.Errorf("got %v, want unavailable for a deadline that is over", err)
	}
}

func TestACancelledCallerIsToldSo(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := db.InTx(ctx, run(`select 1`)); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want canceled", err)
	}
}

// Catches: an unbounded queue in front of an exhausted pool.
func TestABusyPoolRefuses(t *testing.T) {
	t.Parallel()
	_, dsn := dbtest.DSNs(t, migrations(), "stock")
	db, err := postgres.Open(t.Context(), postgres.Config{DSN: dsn, MaxConns: 1, MaxWaiting: 1, AcquireTimeout: 100 * time.Millisecond})
	require.NoError(t, err)
	t.Cleanup(db.Close)
	holding, free := make(chan struct{}), make(chan struct{})
	held := make(chan error, 1)
	go func() {
		held <- db.InTx(t.Context(), func(context.Context, pgx.Tx) error {
			close(holding)
			<-free
			return nil
		})
	}()
	<-holding
	waits := make(chan error, 1)
	go func() { waits <- db.InTx(t.Context(), run(`select 1`)) }()
	require.Eventually(t, func() bool { return db.Waiting() == 1 }, 5*time.Second, time.Millisecond)

	begun := time.Now()
	err = db.InTx(t.Context(), run(`select 1`))
	if got := fault.ReasonOf(err); got != "database_busy" {
		t.Errorf("got %v, want a refusal", err)
	}
	if took := time.Since(begun); took > 50*time.Millisecond {
		t.Errorf("the refusal took %v, want at most 50 ms", took)
	}
	if got := fault.ReasonOf(<-waits); got != "database_busy" {
		t.Errorf("the one in the queue got %q, want a refusal after its 100 ms", got)
	}
	close(free)
	require.NoError(t, <-held)
	require.NoError(t, db.InTx(t.Context(), run(`select 1`)))
}

// Catches: a pool that hands out connections which the server has ended (restart, fail-over).
func TestConnectionsEndedByTheServer(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	for range 3 {
		require.NoError(t, db.InTx(t.Context(), run(`select 1`)))
		dbtest.Exec(t, dbtest.Admin(t, db), `select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()`)
		require.NoError(t, db.InTx(t.Context(), run(`select 1`)))
	}
}

func TestALineCutInsideATransactionIsUnavailable(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	admin := dbtest.Admin(t, db)
	err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		dbtest.Exec(t, admin, `select pg_terminate_backend(pid) from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()`)
		return run(`insert into balance values ('A', 1)`)(ctx, tx)
	})
	if got := fault.KindOf(err); got != fault.KindUnavailable {
		t.Errorf("got %v, want unavailable", err)
	}
}

func TestSnapshotSeesOneMomentAndWritesNothing(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	require.NoError(t, db.InTx(t.Context(), run(`insert into balance values ('A', 1)`)))
	require.NoError(t, db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		var before, after int64
		if err := tx.QueryRow(ctx, `select pounds from balance`).Scan(&before); err != nil {
			return err
		}
		if err := db.InTx(ctx, run(`update balance set pounds = 2`)); err != nil {
			return err
		}
		if err := tx.QueryRow(ctx, `select pounds from balance`).Scan(&after); err != nil {
			return err
		}
		if before != after {
			t.Errorf("read %d, then %d in one snapshot", before, after)
		}
		return nil
	}))
	err := db.Snapshot(t.Context(), run(`update balance set pounds = 3`))
	if got := postgres.Code(err); got != "25006" {
		t.Errorf("got %v, want a refusal to write in a read-only transaction", err)
	}
}

func TestTimesComeBackAsUTC(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(), "stock")
	var got time.Time
	require.NoError(t, db.Snapshot(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		return tx.QueryRow(ctx, `select timestamptz '2025-11-03 08:15:00-06'`).Scan(&got)
	}))
	if want := "2025-11-03T14:15:00Z"; got.Format(time.RFC3339) != want {
		t.Errorf("got %s, want %s", got.Format(time.RFC3339), want)
	}
}

func TestOpenSaysWhatIsWrongWithoutThePassword(t *testing.T) {
	t.Parallel()
	_, err := postgres.Open(t.Context(), postgres.Config{DSN: "postgres://u:secret@[", Name: "stock"})
	require.Error(t, err)
	if strings.Contains(err.Error(), "secret") {
		t.Errorf("%q tells the password", err)
	}
	begun := time.Now()
	_, err = postgres.Open(t.Context(), postgres.Config{DSN: "postgres://u@127.0.0.1:1/d", Name: "stock", ConnectTimeout: 200 * time.Millisecond})
	require.Error(t, err)
	if took := time.Since(begun); took > 2*time.Second {
		t.Errorf("gave up after %v, want about 200 ms", took)
	}
}
