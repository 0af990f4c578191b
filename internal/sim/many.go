package sim

import (
	"cmp"
	"fmt"
	"io"
	"sync"
	"time"
)

// Batch is many seeds to be run.
type Batch struct {
	First    uint64
	Seeds    int
	Commands int
	Break    Break
	Failures int              // after so many seeds that find something it ends; 0: 3
	Workers  int              // seeds that run side by side; each seed is still one thread
	Until    func() bool      // tells when time is up; nil: never
	Now      func() time.Time // for the rate alone
}

// Verdict is what came of many seeds.
type Verdict struct {
	Seeds    int
	Failed   []Result // the first few
	Steps    int
	Accepted int
	Events   int
	Refused  map[string]int
	Injected map[Fault]int
	Took     time.Duration
}

// RunMany runs seeds until all are done, time is up, or some have failed.
func RunMany(b Batch) Verdict {
	v := Verdict{Refused: map[string]int{}, Injected: map[Fault]int{}}
	begun := b.Now()
	var mu sync.Mutex
	next := 0
	take := func() (uint64, bool) {
		mu.Lock()
		defer mu.Unlock()
		if next >= b.Seeds || len(v.Failed) >= cmp.Or(b.Failures, 3) || b.Until != nil && b.Until() {
			return 0, false
		}
		next++
		return b.First + uint64(next-1), true
	}
	var workers sync.WaitGroup
	for range max(b.Workers, 1) {
		workers.Go(func() {
			c := &crew{}
			defer c.close()
			for seed, ok := take(); ok; seed, ok = take() {
				r := run(Options{Seed: seed, Commands: b.Commands, Break: b.Break}, c)
				mu.Lock()
				v.add(r)
				mu.Unlock()
			}
		})
	}
	workers.Wait()
	v.Took = b.Now().Sub(begun)
	return v
}

func (v *Verdict) add(r Result) {
	v.Seeds++
	v.Steps += r.Steps
	v.Accepted += r.Accepted
	v.Events += r.Events
	for reason, n := range r.Refused {
		v.Refused[reason] += n
	}
	for f, n := range r.Injected {
		v.Injected[f] += n
	}
	if r.Err != nil {
		v.Failed = append(v.Failed, r)
	}
}

// PerMinute is the rate of seeds.
func (v Verdict) PerMinute() int64 {
	return int64(v.Seeds) * int64(time.Minute) / max(int64(v.Took), 1)
}

// Write prints the verdict: how much was run, what was injected how often, and what was found.
func (v Verdict) Write(out io.Writer) error {
	refused := 0
	for _, n := range v.Refused {
		refused += n
	}
	_, err := fmt.Fprintf(out, "%d seeds in %v, %d a minute: %d steps, %d commands accepted, %d refused, %d events\n", v.Seeds, v.Took.Round(time.Millisecond),
		v.PerMinute(), v.Steps, v.Accepted, refused, v.Events)
	if err != nil {
		return err
	}
	for _, f := range Faults() {
		if _, err := fmt.Fprintf(out, "%9d  %s\n", v.Injected[f], f); err != nil {
			return err
		}
	}
	for _, r := range v.Failed {
		if _, err := fmt.Fprintf(out, "seed %d FAILED: %v\n", r.Seed, r.Err); err != nil {
			return err
		}
	}
	verdict := "all rules hold"
	if len(v.Failed) > 0 {
		verdict = fmt.Sprintf("%d seeds found a broken rule; replay one with --seed N --seeds 1", len(v.Failed))
	}
	_, err = fmt.Fprintln(out, verdict)
	return err
}
