package mem

import (
	"context"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
)

// Point is a place in a transaction at which the simulation may let something happen.
type Point int

// BeforeBegin: nothing is open; others may go on. BeforeCommit: all is written, and nobody sees it; others must not go on. AfterCommit: it
// stands, and the caller does not know it yet; others may go on.
const (
	BeforeBegin Point = iota + 1
	BeforeCommit
	AfterCommit
)

// DB is the database of one service. Transactions run one after the other, so each sees all that was committed before it began.
type DB struct {
	Log *Log
	// At is told of every point of a transaction. It may panic, which takes the transaction back unless it is committed, or return an error,
	// which the caller gets: before the commit the transaction is taken back, after it it stands all the same. Nil: nothing happens.
	At func(p Point) error
	// Again tells whether a transaction is to be taken back and run once more, as after a deadlock. Nil: never.
	Again func() bool
	// Lazy lets InTx wait for the disk no more than InReplayableTx does: a power cut takes the last of its commits. It is a break.
	Lazy bool
	// Check judges what a transaction has changed, at its end, before it is committed. Nil: nothing is judged.
	Check func() error

	head     *Cell[Head]
	events   *List[event]
	relay    *Cell[int64]
	commands *Table[string, commandRow]
	tries    *Table[string, []tryRow] // by command id, in the order of tries
	ends     *Table[string, map[int64]endRow]
	open     *Table[string, openRow]

	shuffle  func(n int, swap func(i, j int)) // an order that nobody promised
	producer lot.Producer
	running  bool
	volatile [][]func() // committed without waiting for the disk, since the last commit that did
}

// lazy is how many commits a power cut takes where none waits for the disk.
const lazy = 3

// Head is where a producer's events stand.
type Head struct {
	Epoch, Position int64
	RecordedMicros  int64
	Previous, Hash  [32]byte
}

// New makes an empty database of a producer. shuffle gives results without a promised order an order of its own.
func New(producer lot.Producer, shuffle func(n int, swap func(i, j int))) *DB {
	log := &Log{}
	db := &DB{
		Log: log, producer: producer, shuffle: shuffle,
		head: NewCell(log, Head{Epoch: 1}), events: NewList[event](log), relay: NewCell[int64](log, 0),
		commands: NewTable[string, commandRow](log), tries: NewTable[string, []tryRow](log), ends: NewTable[string, map[int64]endRow](log),
		open: NewTable[string, openRow](log),
	}
	return db
}

// InTx runs fn in a transaction that outlives a power cut.
func (db *DB) InTx(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.run(ctx, true, fn)
}

// InReplayableTx is InTx for work that a power cut may take, until the next commit of InTx.
func (db *DB) InReplayableTx(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	return db.run(ctx, false, fn)
}

// Snapshot runs fn in a transaction that only reads: what it writes is taken back.
func (db *DB) Snapshot(ctx context.Context, fn func(ctx context.Context, tx pgx.Tx) error) error {
	if err := db.point(BeforeBegin); err != nil {
		return err
	}
	_, err := db.attempt(ctx, false, fn)
	return err
}

func (db *DB) run(ctx context.Context, durable bool, fn func(ctx context.Context, tx pgx.Tx) error) error {
	if err := db.point(BeforeBegin); err != nil {
		return err
	}
	if db.Again != nil && db.Again() {
		if _, err := db.attempt(ctx, false, fn); err != nil {
			return err
		}
	}
	undo, err := db.attempt(ctx, true, fn)
	if err != nil {
		return err
	}
	switch {
	case durable && db.Lazy:
		db.volatile = append(db.volatile, undo)
		db.volatile = db.volatile[max(0, len(db.volatile)-lazy):]
	case durable:
		db.volatile = nil
	case len(undo) > 0:
		db.volatile = append(db.volatile, undo)
	}
	return db.point(AfterCommit)
}

func (db *DB) point(p Point) error {
	if db.At == nil {
		return nil
	}
	return db.At(p)
}

// attempt runs fn once, and keeps what it did only where keep is set and nothing failed.
func (db *DB) attempt(ctx context.Context, keep bool, fn func(ctx context.Context, tx pgx.Tx) error) (undo []func(), err error) {
	if db.running {
		panic("sim: a transaction begins while another is open: a call was made inside a transaction")
	}
	db.running = true
	committed := false
	defer func() {
		db.running = false
		if !committed {
			unroll(db.Log.cut())
		}
	}()
	if err := fn(ctx, &Tx{db: db}); err != nil || !keep {
		return nil, err
	}
	if db.Check != nil {
		if err := db.Check(); err != nil {
			return nil, err
		}
	}
	if err := db.point(BeforeCommit); err != nil {
		return nil, err
	}
	committed = true
	return db.Log.cut(), nil
}

// Running tells whether a transaction is open.
func (db *DB) Running() bool { return db.running }

// PowerCut takes back what was committed without waiting for the disk, and tells whether that was anything.
func (db *DB) PowerCut() bool {
	lost := len(db.volatile) > 0
	for i := len(db.volatile) - 1; i >= 0; i-- {
		unroll(db.volatile[i])
	}
	db.volatile = nil
	db.Log.cut()
	return lost
}
