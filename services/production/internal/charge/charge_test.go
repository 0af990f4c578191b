package charge_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/production/internal/charge"
)

func TestSettle(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name   string
		given  lot.ChargePosted
		want   money.Amount
		reason string
	}{
		{"hours x rate", lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: 1_500_000, Rate: 20_000_000}, 30_000_000, ""},
		{"half up", lot.ChargePosted{ChargeKind: lot.Machine, HoursMillionths: 500_000, Rate: 1}, 1, ""},
		{"below half", lot.ChargePosted{ChargeKind: lot.Machine, HoursMillionths: 499_999, Rate: 1}, 0, ""},
		{"amount agrees", lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: 1_000_000, Rate: 7, Amount: 7}, 7, ""},
		{"amount alone", lot.ChargePosted{ChargeKind: lot.Labour, Amount: 9}, 9, ""},
		{"nothing", lot.ChargePosted{ChargeKind: lot.OtherCharge}, 0, ""},
		{"amount differs", lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: 1_000_000, Rate: 7, Amount: 8}, 0, "charge_amount"},
		{"other by the hour", lot.ChargePosted{ChargeKind: lot.OtherCharge, HoursMillionths: 1, Rate: 1}, 0, "charge_hours"},
		{"no kind", lot.ChargePosted{Amount: 1}, 0, "charge_kind_missing"},
		{"negative hours", lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: -1, Rate: 1}, 0, "charge_negative"},
		{"out of range", lot.ChargePosted{ChargeKind: lot.Labour, HoursMillionths: 1 << 62, Rate: 1 << 62}, 0, fault.ReasonOf(outOfRange())},
	} {
		got, err := charge.Settle(c.given)
		if fault.ReasonOf(err) != c.reason || err == nil && got.Amount != c.want {
			t.Errorf("%s: got %s, %v; want %s, reason %q", c.name, got.Amount, err, c.want, c.reason)
		}
	}
}

func outOfRange() error {
	_, err := money.Hours(1<<62, 1<<62)
	return err
}

func TestNamesOfARunsCharges(t *testing.T) {
	t.Parallel()
	got, err := charge.ForRun("R-1", []lot.ChargePosted{
		{ChargeKind: lot.Labour}, {ChargeKind: lot.Machine}, {ChargeKind: lot.OtherCharge}, {ChargeKind: lot.Labour},
		{ChargeKind: lot.Labour, Charge: "own", Runs: []lot.RunID{"R-1"}},
	})
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, c := range got {
		names = append(names, c.Charge)
	}
	if diff := cmp.Diff([]string{"R-1/labour", "R-1/machine", "R-1/other", "R-1/labour-2", "own"}, names); diff != "" {
		t.Errorf("names (-want +got):\n%s", diff)
	}
}
