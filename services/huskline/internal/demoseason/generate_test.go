package demoseason

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// folder writes a season and reads its files back as the checker sees them: names and cells, nothing of this package's own values.
func folder(t testing.TB, s *Season) *checked {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, s.WriteFolder(dir))
	c, err := readFolder(dir)
	require.NoError(t, err)
	return c
}

// TestSameSeedSameBytes would fail if anything were drawn in the order of a map or from a clock.
func TestSameSeedSameBytes(t *testing.T) {
	t.Parallel()
	first, second := t.TempDir(), t.TempDir()
	require.NoError(t, Generate(7, Demo()).WriteFolder(first))
	require.NoError(t, Generate(7, Demo()).WriteFolder(second))
	entries, err := os.ReadDir(first)
	require.NoError(t, err)
	require.Len(t, entries, 14)
	for _, e := range entries {
		a, err := os.ReadFile(filepath.Join(first, e.Name()))
		require.NoError(t, err)
		b, err := os.ReadFile(filepath.Join(second, e.Name()))
		require.NoError(t, err)
		if !bytes.Equal(a, b) {
			t.Errorf("%s differs between two seasons of seed 7", e.Name())
		}
	}
	if n := Generate(8, Demo()); n.Names == Generate(7, Demo()).Names {
		t.Errorf("seeds 7 and 8 name the same lots: %+v", n.Names)
	}
}

// TestEverySeedKeepsTheRules catches, for one, a withdrawal that does not lower what is left of its lot, a bin drawn before its last pour, and
// a custom client's nuts put into a bin.
func TestEverySeedKeepsTheRules(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(rt *rapid.T) {
		seed := rapid.Uint64().Draw(rt, "seed")
		size := Size{Readings: 300}
		size.Deliveries = rapid.IntRange(0, 90).Draw(rt, "deliveries")
		size.Shipments = rapid.IntRange(0, 250).Draw(rt, "shipments")
		dir, err := os.MkdirTemp(t.TempDir(), "season")
		require.NoError(rt, err)
		require.NoError(rt, Generate(seed, size).WriteFolder(dir))
		c, err := readFolder(dir)
		require.NoError(rt, err)
		for _, fault := range c.faults() {
			rt.Error(fault)
		}
	})
}

// TestTheDemoShowsEverything is about what the demonstration promises to have in it, for several seeds.
func TestTheDemoShowsEverything(t *testing.T) {
	t.Parallel()
	for seed := range uint64(12) {
		s := Generate(seed, Demo())
		c := folder(t, s)
		if f := c.faults(); len(f) > 0 {
			t.Errorf("seed %d: %d faults, first %s", seed, len(f), f[0])
		}
		if s.Deliveries() != 60 || s.Shipments() != 400 || s.Runs() < 95 || s.Runs() > 150 {
			t.Errorf("seed %d: %d deliveries, %d runs, %d shipments; want 60, about 120, 400", seed, s.Deliveries(), s.Runs(), s.Shipments())
		}
		for what, n := range c.features() {
			if n == 0 {
				t.Errorf("seed %d: no %s", seed, what)
			}
		}
		c.checkNames(t, seed, s.Names)
	}
}

func (c *checked) checkNames(t *testing.T, seed uint64, n Names) {
	t.Helper()
	small := c.reached(n.SmallLot)
	if !c.mailed(small) || !slices.ContainsFunc(small, func(l string) bool { return l[:2] == "P-" }) {
		t.Errorf("seed %d: small lot %q reaches no bin or no mail-order customer", seed, n.SmallLot)
	}
	if c.born[n.Batch].item == "" || c.items[c.born[n.Batch].item]["kind"] != "finished" || !c.mailed([]string{n.Batch}) {
		t.Errorf("seed %d: batch %q is no finished lot sold by mail", seed, n.Batch)
	}
	held := c.reached(n.HoldLot)
	if !slices.Contains(held, n.HeldLot) || c.left(n.HeldLot) <= 0 || !c.mailed(held) {
		t.Errorf("seed %d: hold lot %q with %q", seed, n.HoldLot, n.HeldLot)
	}
	if c.parties[n.Customer]["role"] != "customer" {
		t.Errorf("seed %d: %q is no customer", seed, n.Customer)
	}
	k := n.Correction
	less := int64(k.Recorded - k.Corrected)
	if c.born[k.Lot].run != k.Run || c.born[k.Lot].weight != int64(k.Recorded) || less <= 0 || less > c.left(k.Lot) || k.Corrected <= 0 {
		t.Errorf("seed %d: correction %+v, left %d", seed, k, c.left(k.Lot))
	}
}

// TestRecipesAddUp is about the tables: the parts of a recipe are thousandths.
func TestRecipesAddUp(t *testing.T) {
	t.Parallel()
	known := map[string]bool{}
	for _, i := range ingredients() {
		known[i.id] = true
	}
	if got := len(confections()); got != 20 {
		t.Errorf("%d confections, want 20", got)
	}
	for _, r := range confections() {
		sum := r.nutParts
		for _, p := range r.parts {
			sum += p.parts
			if !known[p.item] {
				t.Errorf("%s: ingredient %s is not bought", r.id, p.item)
			}
		}
		if sum != 1000 {
			t.Errorf("%s: parts add up to %d, want 1000", r.id, sum)
		}
	}
}

// TestALargeSeasonTakesSeconds keeps the generator usable for benchmarks.
func TestALargeSeasonTakesSeconds(t *testing.T) {
	t.Parallel()
	start := time.Now()
	s := Generate(1, Size{Deliveries: 2_000, Shipments: 12_000, Readings: 30_000})
	if s.Deliveries() != 2_000 || s.Shipments() < 10_000 || s.Weighings() < 20_000 {
		t.Errorf("%d deliveries, %d shipments, %d weighings", s.Deliveries(), s.Shipments(), s.Weighings())
	}
	if f := folder(t, s).faults(); len(f) > 0 {
		t.Errorf("%d faults, first %s", len(f), f[0])
	}
	t.Logf("%d deliveries, %d runs, %d shipments, %d weighings in %v", s.Deliveries(), s.Runs(), s.Shipments(), s.Weighings(), time.Since(start))
}
