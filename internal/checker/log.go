package checker

import (
	"context"
	"fmt"

	"huskline/internal/snapshot"
)

// denseEvents counts positions: 1, 2, 3 … to the head, and to the end of each epoch that ended.
func denseEvents(_ context.Context, s *state, f *Finding) {
	for _, name := range services() {
		ends := map[int64]int64{}
		for _, r := range s.table(name, "epochs_ended") {
			ends[r.Int("epoch")] = r.Int("position")
		}
		head := s.head(name)
		ends[head.epoch] = head.position
		have := map[place]snapshot.Row{}
		for _, r := range s.table(name, "events") {
			at := place{name, r.Int("epoch"), r.Int("position")}
			have[at] = r
			f.Checked++
			if end, ok := ends[at.epoch]; !ok || at.position > end {
				f.broken(name, r.ID(), "it lies beyond the end of its epoch, %d", end)
			}
		}
		for epoch, end := range ends {
			for n := int64(1); n <= end; n++ {
				if _, ok := have[place{name, epoch, n}]; !ok {
					f.broken(name, fmt.Sprintf("events(epoch=%d position=%d)", epoch, n), "it is missing: positions are dense")
				}
			}
		}
	}
	sortViolations(f)
}
