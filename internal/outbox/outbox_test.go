package outbox_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"sync"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"huskline/internal/dbtest"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/outbox"
	"huskline/internal/postgres"
	eventv1 "huskline/proto/huskline/event/v1"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// migrations is the outbox's tables with the grants to the inventory's role.
func migrations(t testing.TB) fs.FS {
	t.Helper()
	text, err := fs.ReadFile(outbox.Migrations, "migrations/00001_outbox.sql")
	require.NoError(t, err)
	text = bytes.ReplaceAll(text, []byte("@RUN_ROLE@"), []byte(postgres.RunRole("inventory")))
	return fstest.MapFS{"migrations/00001_outbox.sql": {Data: text}}
}

func newDB(t testing.TB) *postgres.DB {
	t.Helper()
	db := dbtest.New(t, migrations(t), "inventory")
	require.NoError(t, outbox.Init(t.Context(), db, lot.Inventory))
	return db
}

var noon = time.Date(2025, 11, 3, 12, 0, 0, 123_456_789, time.UTC)

func message(payload string) outbox.Message {
	return outbox.Message{ID: uuid.Must(uuid.NewV7()).String(), Type: "lot-moved", Payload: []byte(payload)}
}

func appendTo(ctx context.Context, db *postgres.DB, now time.Time, msgs ...outbox.Message) (r lot.Receipt, err error) {
	err = db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		var err error
		r, err = outbox.Append(ctx, tx, now, msgs)
		return err
	})
	return r, err
}

func mustAppend(t testing.TB, db *postgres.DB, now time.Time, msgs ...outbox.Message) lot.Receipt {
	t.Helper()
	r, err := appendTo(t.Context(), db, now, msgs...)
	require.NoError(t, err)
	return r
}

// chain recomputes the hash from the words of the contract, apart from the code under test: SHA-256 over previous_hash (32 bytes), epoch,
// position and recorded_micros (8 bytes each, big endian), and SHA-256 of payload (32 bytes).
func chain(previous []byte, env *eventv1.Envelope) []byte {
	var text [104]byte
	copy(text[:32], previous)
	binary.BigEndian.PutUint64(text[32:40], uint64(env.Epoch))
	binary.BigEndian.PutUint64(text[40:48], uint64(env.Position))
	binary.BigEndian.PutUint64(text[48:56], uint64(env.RecordedMicros))
	inner := sha256.Sum256(env.Payload)
	copy(text[56:], inner[:]) // 48 bytes are left, 32 are used
	sum := sha256.Sum256(text[:88])
	return sum[:]
}

// checkChain verifies an epoch from its first event on and returns the last hash.
func checkChain(t testing.TB, db *postgres.DB, epoch int64, previous []byte, count int64) []byte {
	t.Helper()
	var after, recorded int64
	for after < count {
		envs, err := outbox.Read(t.Context(), db.Pool(), epoch, after, 100)
		require.NoError(t, err)
		require.NotEmpty(t, envs, "events of epoch %d after %d of %d", epoch, after, count)
		for _, env := range envs {
			require.Equal(t, after+1, env.Position, "positions are dense")
			require.Equal(t, previous, env.PreviousHash, "position %d continues the one before", env.Position)
			require.Equal(t, chain(previous, env), env.Hash, "hash of position %d", env.Position)
			require.NoError(t, lotwire.Verify(env))
			require.GreaterOrEqual(t, env.RecordedMicros, recorded, "recorded time of position %d", env.Position)
			require.Equal(t, "inventory", env.Producer)
			after, previous, recorded = env.Position, env.Hash, env.RecordedMicros
		}
	}
	return previous
}

func TestHashIsThatOfTheContract(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	head, err := outbox.ReadHead(t.Context(), db.Pool())
	require.NoError(t, err)
	require.Equal(t, make([]byte, 32), head.Hash, "before the first event")
	require.Equal(t, lot.Receipt{Producer: "inventory", Epoch: 1}, lotwire.ParseReceipt(head.At))

	r := mustAppend(t, db, noon, message("one"))
	require.Equal(t, lot.Receipt{Producer: "inventory", Epoch: 1, Position: 1}, r)
	r = mustAppend(t, db, noon.Add(time.Second), message("two"), message(""), message("four"))
	require.Equal(t, int64(4), r.Position)

	last := checkChain(t, db, 1, make([]byte, 32), 4)
	head, err = outbox.ReadHead(t.Context(), db.Pool())
	require.NoError(t, err)
	require.Equal(t, last, head.Hash)
	require.Equal(t, int64(4), head.At.Position)

	envs, err := outbox.Read(t.Context(), db.Pool(), 1, 1, 2)
	require.NoError(t, err)
	require.Len(t, envs, 2)
	require.Equal(t, []byte("two"), envs[0].Payload)
	require.Equal(t, noon.Add(time.Second).UnixMicro(), envs[0].RecordedMicros)
	require.Equal(t, "lot-moved", envs[0].Type)
}

func TestRecordedTimeNeverGoesBack(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	mustAppend(t, db, noon, message("one"))
	mustAppend(t, db, noon.Add(-time.Hour), message("two"))
	checkChain(t, db, 1, make([]byte, 32), 2)
	envs, err := outbox.Read(t.Context(), db.Pool(), 1, 1, 1)
	require.NoError(t, err)
	require.Equal(t, noon.UnixMicro(), envs[0].RecordedMicros)
}

// Catches positions taken from a sequence, or the head read in one statement and written in another: with writers side by side, some of them
// undone, positions have no gap and a reader that follows never skips one.
func TestPositionsAreDenseWithWritersSideBySide(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	const writers, each = 8, 60
	var wg sync.WaitGroup
	undone := errors.New("undone")
	for w := range writers {
		wg.Go(func() {
			for i := range each {
				if i%5 == 4 {
					err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
						if _, err := outbox.Append(ctx, tx, noon, []outbox.Message{message("undone")}); err != nil {
							return err
						}
						return undone
					})
					if !errors.Is(err, undone) {
						t.Errorf("writer %d: %v", w, err)
					}
					continue
				}
				if _, err := appendTo(t.Context(), db, noon, message(fmt.Sprintf("%d-%d", w, i)), message("second")); err != nil {
					t.Errorf("writer %d: %v", w, err)
				}
			}
		})
	}
	const count = writers * each / 5 * 4 * 2
	var seen int64
	for seen < count && !t.Failed() {
		envs, err := outbox.Read(t.Context(), db.Pool(), 1, seen, 0)
		require.NoError(t, err)
		for _, env := range envs {
			require.Equal(t, seen+1, env.Position, "a reader that follows skips nothing")
			seen = env.Position
		}
	}
	wg.Wait()
	checkChain(t, db, 1, make([]byte, 32), count)
	var rows int64
	require.NoError(t, db.Pool().QueryRow(t.Context(), `select count(*) from events`).Scan(&rows))
	require.Equal(t, int64(count), rows)
}

func TestAppendOfNothingTakesNoLock(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	mustAppend(t, db, noon, message("one"))
	err := db.InTx(t.Context(), func(ctx context.Context, tx pgx.Tx) error {
		if _, err := outbox.Append(ctx, tx, noon, []outbox.Message{message("two")}); err != nil {
			return err
		}
		// The head is locked by tx; what waited for it would run into the deadline.
		ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
		defer cancel()
		r, err := appendTo(ctx, db, noon)
		if r.Position != 1 {
			t.Errorf("receipt = %v, want position 1, the last committed", r)
		}
		return err
	})
	require.NoError(t, err)
}

func TestAnIDIsTakenOnce(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	m := message("one")
	mustAppend(t, db, noon, m)
	_, err := appendTo(t.Context(), db, noon, m)
	require.True(t, postgres.IsUniqueViolation(err, "events_id_unique"), "err = %v", err)
	require.Equal(t, int64(2), mustAppend(t, db, noon, message("two")).Position)
}

func TestInit(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, migrations(t), "inventory")
	_, err := appendTo(t.Context(), db, noon, message("one"))
	require.ErrorContains(t, err, "never initialised")
	require.NoError(t, outbox.Init(t.Context(), db, lot.Inventory))
	mustAppend(t, db, noon, message("one"))
	require.NoError(t, outbox.Init(t.Context(), db, lot.Inventory), "again")
	require.Equal(t, int64(2), mustAppend(t, db, noon, message("two")).Position)
	err = outbox.Init(t.Context(), db, lot.Intake)
	require.Equal(t, "producer_differs", fault.ReasonOf(err), "err = %v", err)
}

// Catches a run-time role that can change what was recorded.
func TestRecordedEventsCannotBeChanged(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	mustAppend(t, db, noon, message("one"))
	for _, sql := range []string{
		`update events set payload = ''`, `delete from events`, `truncate events`, `delete from head`,
		`update epochs_ended set position = 0`, `delete from epochs_ended`,
	} {
		if _, err := db.Pool().Exec(t.Context(), sql); !postgres.IsForbidden(err) {
			t.Errorf("%s: err = %v, want it forbidden", sql, err)
		}
	}
}

func TestRaiseEpoch(t *testing.T) {
	t.Parallel()
	db := newDB(t)
	mustAppend(t, db, noon, message("one"), message("two"))
	last := checkChain(t, db, 1, make([]byte, 32), 2)

	// Somebody has seen epoch 3 of this producer: the next is above it.
	epoch, err := outbox.RaiseEpoch(t.Context(), db, 3)
	require.NoError(t, err)
	require.Equal(t, int64(4), epoch)
	r := mustAppend(t, db, noon.Add(-time.Hour), message("three"))
	require.Equal(t, lot.Receipt{Producer: "inventory", Epoch: 4, Position: 1}, r)
	checkChain(t, db, 4, last, 1)
	envs, err := outbox.Read(t.Context(), db.Pool(), 4, 0, 0)
	require.NoError(t, err)
	require.Equal(t, noon.UnixMicro(), envs[0].RecordedMicros, "recorded times go on over the epochs")

	epoch, err = outbox.RaiseEpoch(t.Context(), db, 0)
	require.NoError(t, err)
	require.Equal(t, int64(5), epoch)
	earlier, err := outbox.Earlier(t.Context(), db.Pool())
	require.NoError(t, err)
	require.Len(t, earlier, 2)
	require.Equal(t, lot.Receipt{Producer: "inventory", Epoch: 1, Position: 2}, lotwire.ParseReceipt(earlier[0].At))
	require.Equal(t, last, earlier[0].Hash)
	require.Equal(t, lot.Receipt{Producer: "inventory", Epoch: 4, Position: 1}, lotwire.ParseReceipt(earlier[1].At))
}
