package storm

import (
	"context"
	"math/rand/v2"
	"slices"
	"strings"
	"time"
)

// Fault is one way to break a plant.
type Fault struct {
	Name  string
	Holds string // what must hold, beside all invariants once it is healed
	Quick bool   // it is of the quick set, which tests run: of each family the one that finds most for its time
	// Absent says why it cannot be made on this machine; nil: it can always.
	Absent func(*Storm) error
	// Inject makes it; what it does by itself until it returns is part of it. An error means that it was not made, or that what it looked at did not hold.
	Inject func(ctx context.Context, s *Storm, rng *rand.Rand) error
	Lasts  time.Duration // between injecting and healing; 0: it is over when Inject returns
	// Heal undoes it; nil: there is nothing to undo. It is called whether or not Inject succeeded.
	Heal func(ctx context.Context, s *Storm) error
}

// families are all faults, those of a kind together.
func families() [][]Fault {
	return [][]Fault{
		placeFaults(), strikes(), ends(), lossFaults(), floodFaults(), netFaults(), diskFaults(), storeFaults(), clockFaults(), tradeFaults(), clientFaults(),
		changeFaults(),
	}
}

// Faults are all of them, family after family.
func Faults() []Fault { return slices.Concat(families()...) }

// Quick are the faults of the quick set, at least one of each family.
func Quick() []Fault {
	return slices.DeleteFunc(Faults(), func(f Fault) bool { return !f.Quick })
}

// quick puts a fault into the quick set.
func quick(f Fault) Fault {
	f.Quick = true
	return f
}

// Select keeps the faults whose name contains one of the texts; no texts: all.
func Select(faults []Fault, texts []string) []Fault {
	if len(texts) == 0 {
		return faults
	}
	return slices.DeleteFunc(slices.Clone(faults), func(f Fault) bool {
		return !slices.ContainsFunc(texts, func(text string) bool { return strings.Contains(f.Name, text) })
	})
}

// sleep waits, or returns false when ctx ends first.
func sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
		return true
	case <-ctx.Done():
		return false
	}
}

// poll looks until check holds, at most for limit.
func poll(ctx context.Context, limit time.Duration, check func() bool) bool {
	end := time.Now().Add(limit)
	for !check() {
		if time.Now().After(end) || !sleep(ctx, 50*time.Millisecond) {
			return false
		}
	}
	return true
}

// oneOf draws from a list.
func oneOf[T any](rng *rand.Rand, list ...T) T { return list[rng.IntN(len(list))] }
