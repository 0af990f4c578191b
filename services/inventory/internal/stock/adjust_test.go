package stock

import (
	"testing"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// A ticket that was bought whole under its own code passed with all that was there: nothing is found of it at an earlier time any more. The
// deliberate break it catches: a gain dated before the purchase, which the company's ledger and the owner's account of pounds would tell apart.
func TestAGainBeforeTitlePassed(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		at   int
		want string
	}{{3, "title_passed"}, {6, ""}} {
		l := &Lot{ID: "L", Owner: "", Ownership: lot.Company, Made: 100, Born: hour(1), Version: 1}
		b := NewBook(&Known{
			Lots: map[lot.ID]*Lot{"L": l},
			Balances: map[Spot]Balance{
				{Lot: "L", Owner: "client"}: {0, DrawKey(hour(5), OwnerChange, "P")},
				{Lot: "L"}:                  {100, FillKey(hour(5), OwnerChange, "P")},
			},
		}, "adjustment/A", hour(9))
		_, err := b.Adjust(Adjust{Name: "A", Lot: "L", Delta: 10, Reason: "count", At: hour(tc.at), Account: &lot.Account{Name: "count"}})
		if got := fault.ReasonOf(err); got != tc.want {
			t.Errorf("a gain at hour %d, title passed at 5: %v, want reason %q", tc.at, err, tc.want)
		}
	}
}
