package postgres

import (
	"context"
	"fmt"
	"maps"
	"strconv"
	"sync/atomic"
	"time"

	"github.com/cenkalti/backoff/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"huskline/internal/fault"
)

// Config says which database, as whom, and within which bounds. Zero values take the defaults named.
type Config struct {
	DSN              string          // URL or keyword form
	Name             string          // application_name, as it appears in pg_stat_activity
	MaxConns         int32           // 8
	MinConns         int32           // connections opened ahead, in the background, so that the first callers need not wait for them: none
	MaxWaiting       int32           // transactions that may wait for a connection; more are refused at once: 64
	AcquireTimeout   time.Duration   // longest wait for a connection: 5 s
	StatementTimeout time.Duration   // longest statement, where the caller's deadline is not sooner: 30 s
	LockTimeout      time.Duration   // longest wait for one lock: 5 s
	IdleInTxTimeout  time.Duration   // longest silence inside a transaction: 15 s
	ConnectTimeout   time.Duration   // how long Open waits for a server that is not there yet: 10 s
	Tracer           pgx.QueryTracer // otelpgx.NewTracer() where traces are wanted; nil for none
}

func (c Config) withDefaults() Config {
	c.MaxConns = orElse(c.MaxConns, 8)
	c.MaxWaiting = orElse(c.MaxWaiting, 64)
	c.AcquireTimeout = orElse(c.AcquireTimeout, 5*time.Second)
	c.StatementTimeout = orElse(c.StatementTimeout, 30*time.Second)
	c.LockTimeout = orElse(c.LockTimeout, 5*time.Second)
	c.IdleInTxTimeout = orElse(c.IdleInTxTimeout, 15*time.Second)
	c.ConnectTimeout = orElse(c.ConnectTimeout, 10*time.Second)
	return c
}

func orElse[T int32 | time.Duration](v, standard T) T {
	if v == 0 {
		return standard
	}
	return v
}

// DB is a pool of connections to one database as one role. It is safe for concurrent use and must be closed.
type DB struct {
	cfg  Config
	pool *pgxpool.Pool
	busy atomic.Int32 // transactions that hold a connection or wait for one
}

// Open makes the pool and waits until the server answers, up to Config.ConnectTimeout. A wrong password or database is reported at once.
func Open(ctx context.Context, cfg Config) (*DB, error) {
	cfg = cfg.withDefaults()
	pc, err := pgxpool.ParseConfig(cfg.DSN)
	if err != nil {
		// The driver's text would quote the string, password included.
		return nil, fault.Invalid("database_dsn", "the connection string of database %s cannot be read", cfg.Name)
	}
	pc.MaxConns, pc.MinConns = cfg.MaxConns, cfg.MinConns
	pc.MaxConnLifetime = 30 * time.Minute // so that a service moves on after a fail-over behind one address
	pc.MaxConnLifetimeJitter = 5 * time.Minute
	pc.MaxConnIdleTime = 5 * time.Minute
	pc.PingTimeout = 5 * time.Second
	pc.AfterConnect = readTimesAsUTC
	pc.ConnConfig.ConnectTimeout = 5 * time.Second
	pc.ConnConfig.Tracer = cfg.Tracer
	for name, value := range map[string]string{
		// Every statement looks into one table or two by key: one plan serves all values, and a plan made while a table was small must not read it
		// whole when it has grown.
		"plan_cache_mode":                     "force_generic_plan",
		"enable_seqscan":                      "off",
		"jit":                                 "off",
		"application_name":                    cfg.Name,
		"statement_timeout":                   milliseconds(cfg.StatementTimeout),
		"lock_timeout":                        milliseconds(cfg.LockTimeout),
		"idle_in_transaction_session_timeout": milliseconds(cfg.IdleInTxTimeout),
	} {
		pc.ConnConfig.RuntimeParams[name] = value
	}
	maps.Copy(pc.ConnConfig.RuntimeParams, rowText())
	pool, err := pgxpool.NewWithConfig(ctx, pc)
	if err != nil {
		return nil, fmt.Errorf("open database %s: %w", cfg.Name, err)
	}
	db := &DB{cfg: cfg, pool: pool}
	if err := db.awaitServer(ctx); err != nil {
		pool.Close()
		return nil, err
	}
	return db, nil
}

// rowText are the settings under which a row has one text, which seals are made of, whatever the server's own are.
func rowText() map[string]string {
	return map[string]string{"timezone": "UTC", "datestyle": "ISO, MDY", "bytea_output": "hex"}
}

func (db *DB) awaitServer(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, db.cfg.ConnectTimeout)
	defer cancel()
	var last error
	_, err := backoff.Retry(ctx, func() (struct{}, error) {
		last = db.pool.Ping(ctx)
		if last != nil && !mayPass(last) {
			return struct{}{}, backoff.Permanent(last)
		}
		return struct{}{}, last
	}, backoff.WithBackOff(&backoff.ExponentialBackOff{InitialInterval: 20 * time.Millisecond, RandomizationFactor: 0.2, Multiplier: 2, MaxInterval: time.Second}))
	if err == nil {
		return nil
	}
	if last == nil {
		last = err
	}
	return fmt.Errorf("reach database %s: %w", db.cfg.Name, last)
}

// readTimesAsUTC makes a timestamp read back print the same on every machine.
func readTimesAsUTC(_ context.Context, conn *pgx.Conn) error {
	conn.TypeMap().RegisterType(&pgtype.Type{
		Name: "timestamptz", OID: pgtype.TimestamptzOID,
		Codec: &pgtype.TimestamptzCodec{ScanLocation: time.UTC},
	})
	return nil
}

// milliseconds rounds up, so that a short limit never becomes 0, which means none.
func milliseconds(d time.Duration) string {
	return strconv.FormatInt(max(1, int64((d+time.Millisecond-1)/time.Millisecond)), 10)
}

// Close waits for the connections in use and closes all.
func (db *DB) Close() { db.pool.Close() }

// Ping tells whether the database answers; for readiness.
func (db *DB) Ping(ctx context.Context) error {
	if err := db.pool.Ping(ctx); err != nil {
		return fmt.Errorf("reach database %s: %w", db.cfg.Name, err)
	}
	return nil
}

// Pool is the pool itself, for metrics and for libraries that want one. Reads and writes of a service go through InTx and Snapshot.
func (db *DB) Pool() *pgxpool.Pool { return db.pool }

// DSN is the connection string that the pool was opened with.
func (db *DB) DSN() string { return db.cfg.DSN }

// Waiting is how many transactions wait for a connection; for metrics.
func (db *DB) Waiting() int { return int(max(0, db.busy.Load()-db.pool.Stat().AcquiredConns())) }
