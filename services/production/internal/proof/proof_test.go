package proof_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/season"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/proof"
)

func book(t *testing.T, name string) (*cost.Book, []lot.Recorded) {
	t.Helper()
	s, err := season.Load("../../../../testdata/" + name)
	require.NoError(t, err)
	b := cost.New()
	for _, f := range s.Facts() {
		require.NoError(t, b.Apply(f))
	}
	return b, s.Facts()
}

func TestEveryLineOfTheSeasonsHolds(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"season", "season-2"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			b, facts := book(t, name)
			for _, l := range proof.Season(b.Season(), b.Where()) {
				if l.Difference() != 0 {
					t.Errorf("%s: %d - %d = %d %s", l.Name, l.Left, l.Right, l.Difference(), l.Unit)
				}
				if l.Left == 0 && l.Name != "owners_stock" {
					t.Errorf("%s: nothing on either side", l.Name)
				}
			}
			runs := 0
			for _, f := range facts {
				posted, ok := f.Body.(lot.RunPosted)
				if !ok {
					continue
				}
				r, err := b.Run(posted.Run)
				require.NoError(t, err)
				runs++
				for _, l := range proof.Run(r) {
					if l.Difference() != 0 {
						t.Errorf("run %s, %s: %d - %d", r.Run, l.Name, l.Left, l.Right)
					}
				}
			}
			if runs == 0 {
				t.Error("no run was proved")
			}
		})
	}
}

// Each line must be able to fail: every figure that a line adds up is moved by one and some line has to say so.
func TestLinesNoticeAMissingUnit(t *testing.T) {
	t.Parallel()
	b, _ := book(t, "season-2")
	tests := []struct {
		name  string
		spoil func(*cost.Season)
		line  string
	}{
		{"pounds on hand", func(s *cost.Season) { s.All.OnHand++ }, "pounds"},
		{"pounds received", func(s *cost.Season) { s.All.Received++ }, "pounds"},
		{"shipped dollars", func(s *cost.Season) { s.Shipped.Paid.Stock++ }, "costs_paid"},
		{"service dollars", func(s *cost.Season) { s.Inventory.Final.Service++ }, "costs_final"},
		{"cost in", func(s *cost.Season) { s.CostIn.Final.Stock += 10_000 }, "late_prices"},
		{"grades", func(s *cost.Season) { s.MainOutputs.Paid.Stock-- }, "grades_paid"},
		{"ledger", func(s *cost.Season) { s.Ledger.Final.Stock-- }, "inventory_final"},
		{"owners' pounds", func(s *cost.Season) { s.Owners.Shipped++ }, "owners_pounds"},
		{"owners' stock", func(s *cost.Season) { s.OwnersStock.Final.Stock++ }, "owners_stock"},
	}
	for _, tt := range tests {
		s := b.Season()
		tt.spoil(&s)
		lines := proof.Season(s, b.Where())
		if proof.Holds(lines) {
			t.Errorf("%s: no line noticed", tt.name)
		}
		for _, l := range lines {
			if l.Name == tt.line && l.Difference() == 0 {
				t.Errorf("%s: line %s holds all the same", tt.name, l.Name)
			}
		}
	}
}

func TestRunLinesNoticeAMissingUnit(t *testing.T) {
	t.Parallel()
	b, _ := book(t, "season-2")
	r, err := b.Run("R-00088")
	require.NoError(t, err)
	if lines := proof.Run(r); !proof.Holds(lines) {
		t.Fatalf("%v: want every line to hold", lines)
	}
	r.Outputs[0].Cost.Paid.Stock++
	r.Unaccounted++
	failed := map[string]bool{}
	for _, l := range proof.Run(r) {
		failed[l.Name] = l.Difference() != 0
	}
	if !failed["pounds"] || !failed["costs_paid"] || failed["costs_final"] {
		t.Errorf("got %v, want pounds and costs_paid to fail alone", failed)
	}
}
