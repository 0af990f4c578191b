package sim

import (
	"flag"
	"runtime"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
)

var oneSeed = flag.Uint64("seed", 0, "run this seed alone and print its schedule")

// A few hundred seeds, each with its own faults between any two steps. More: go run ./internal/dev sim --seeds N.
func TestSeeds(t *testing.T) {
	t.Parallel()
	if *oneSeed != 0 {
		r := Run(Options{Seed: *oneSeed, Trace: true})
		for _, line := range r.Schedule {
			t.Log(line)
		}
		if r.Err != nil {
			t.Fatalf("seed %d: %v", r.Seed, r.Err)
		}
		return
	}
	const seeds = 250
	v := RunMany(Batch{First: 1, Seeds: seeds, Workers: runtime.GOMAXPROCS(0), Now: time.Now})
	for _, r := range v.Failed {
		t.Errorf("seed %d: %v\nreplay: go test ./internal/sim -run TestSeeds -seed %d -v", r.Seed, r.Err, r.Seed)
	}
	for _, f := range Faults() {
		if v.Injected[f] == 0 {
			t.Errorf("in %d seeds %q was never injected", seeds, f)
		}
	}
	if v.Accepted < 10*v.Seeds {
		t.Errorf("%d commands were accepted in %d seeds: too few to find anything; refused: %v", v.Accepted, v.Seeds, v.Refused)
	}
	t.Logf("%d seeds, %d a minute, %d steps, %d commands accepted, refused %v, injected %v", v.Seeds, v.PerMinute(), v.Steps, v.Accepted, v.Refused, v.Injected)
}

// Catches anything that draws from chance, a map's order or the clock outside of the seed.
func TestASeedIsASchedule(t *testing.T) {
	t.Parallel()
	for seed := range uint64(12) {
		a, b := Run(Options{Seed: seed + 1, Trace: true}), Run(Options{Seed: seed + 1, Trace: true})
		if diff := cmp.Diff(a.Schedule, b.Schedule); diff != "" {
			t.Fatalf("seed %d ran otherwise the second time:\n%s", seed+1, diff)
		}
	}
}

// Each deliberate break of the protocol is found. Breaks of the services' own rules are in testdata/breaks; they are built and run by
// go run ./internal/dev sim --breaks.
func TestBreaksAreFound(t *testing.T) {
	t.Parallel()
	for _, b := range Breaks() {
		t.Run(string(b), func(t *testing.T) {
			t.Parallel()
			for seed := range uint64(2000) {
				if r := Run(Options{Seed: seed + 1, Break: b}); r.Err != nil {
					t.Logf("found by seed %d: %v", seed+1, r.Err)
					return
				}
			}
			t.Error("2,000 seeds do not find it")
		})
	}
}
