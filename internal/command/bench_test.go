package command_test

import (
	"context"
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/command"
)

// Both write one row of the domain in a transaction, 16 at a time; what Run costs more is the look-up, the event in its chain and the answer.

func BenchmarkRun(b *testing.B) {
	db := newDB(b)
	r := command.New(config(db))
	var n atomic.Int64
	b.SetParallelism(8)
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			req := emptying(fmt.Sprintf("B-%d", n.Add(1)))
			if _, err := command.Run(b.Context(), r, req, empty(req)); err != nil {
				b.Error(err)
			}
		}
	})
}

func BenchmarkBareInsert(b *testing.B) {
	db := newDB(b)
	var n atomic.Int64
	b.SetParallelism(8)
	b.RunParallel(func(pb *testing.PB) {
		for pb.Next() {
			bin := fmt.Sprintf("B-%d", n.Add(1))
			err := db.InTx(b.Context(), func(ctx context.Context, tx pgx.Tx) error {
				_, err := tx.Exec(ctx, `insert into emptied (bin, at) values ($1, $2)`, bin, time.Unix(0, 0))
				return err
			})
			if err != nil {
				b.Error(err)
			}
		}
	})
}
