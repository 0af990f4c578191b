package sheet_test

import (
	"errors"
	"testing"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/sheet"
)

func TestBasis(t *testing.T) {
	t.Parallel()
	price := money.Price(2_000_000)
	priced := []cost.RunOutput{{Role: lot.Main, Price: &price}}
	for _, c := range []struct {
		name string
		run  cost.RunCost
		want string
	}{
		{"priced", cost.RunCost{Outputs: priced}, "sales value at split-off"},
		{"no price", cost.RunCost{Outputs: []cost.RunOutput{{Role: lot.Main}}}, "weight"},
		{"only a by-product has a price", cost.RunCost{Outputs: []cost.RunOutput{{Role: lot.ByProduct, Price: &price}}}, "weight"},
		{"priced in part", cost.RunCost{Outputs: priced, Fault: errors.New("no price")}, "weight"},
		{"priced, with a table", cost.RunCost{Outputs: priced, ByTable: true}, "sales value at split-off, each input by the contribution table"},
		{"no price, with a table", cost.RunCost{ByTable: true}, "weight, each input by the contribution table"},
	} {
		if got := sheet.Basis(c.run); got != c.want {
			t.Errorf("%s: %q, want %q", c.name, got, c.want)
		}
	}
}
