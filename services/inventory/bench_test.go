package inventory_test

import (
	"fmt"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// BenchmarkPost posts whole runs, each of a lot of its own: one after the other, and sixteen side by side.
func BenchmarkPost(b *testing.B) {
	for _, inFlight := range []int{1, 16} {
		b.Run(fmt.Sprintf("%d in flight", inFlight), func(b *testing.B) {
			p := newPlant(b)
			for n := range b.N {
				p.receive(lot.ID(fmt.Sprintf("D-%d", n)), 100, day(2, 8))
			}
			last := &inventoryv1.GetLotRequest{Lot: fmt.Sprintf("D-%d", b.N-1)}
			require.Eventually(b, func() bool { _, err := p.peer.GetLot(b.Context(), last); return err == nil }, time.Minute, 20*time.Millisecond)
			var next atomic.Int64
			b.SetParallelism(inFlight) // times GOMAXPROCS
			b.ResetTimer()
			if inFlight == 1 {
				for n := range b.N {
					p.mustPost(single(n))
				}
				return
			}
			b.RunParallel(func(pb *testing.PB) {
				for pb.Next() {
					if _, err := p.post(single(int(next.Add(1) - 1))); err != nil {
						b.Error(err)
					}
				}
			})
		})
	}
}

func single(n int) run {
	return run{id: fmt.Sprintf("R-%d", n), in: map[string]int64{fmt.Sprintf("D-%d", n): 90}, out: map[string]int64{fmt.Sprintf("K-%d", n): 80}, at: day(3, 8)}
}
