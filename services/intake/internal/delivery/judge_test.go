package delivery

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/intake/internal/weighing"
)

func pounds(kind weighing.Kind, digits string) Weighing {
	return Weighing{Kind: kind, Digits: digits, Unit: "LBR"}
}

func kilograms(kind weighing.Kind, digits string) Weighing {
	return Weighing{Kind: kind, Digits: digits, Unit: "KGM"}
}

func sound() (Facts, Known) {
	return Facts{
			Lot: "D1", Party: "P1", Ownership: lot.Company, Item: "NUT", Price: new(money.Price(1_250_000)),
			Weighings: []Weighing{pounds(weighing.Gross, "1500.5"), pounds(weighing.Tare, "500")},
		}, Known{
			Roles: []lot.PartyRole{lot.Seller}, Item: &Item{Kind: lot.InShell, Measure: lot.ByWeight}, Scales: map[string]bool{"W1": true},
			Readings: map[ReadingKey]weighing.Stored{
				{Scale: "W1", Sequence: 3}: {Reading: weighing.Reading{Kind: weighing.Gross, Digits: "20", Unit: "LBR"}, Mass: 20 * weight.Pound},
			},
		}
}

func TestJudgeDelivery(t *testing.T) {
	t.Parallel()
	over := func(w ...Weighing) func(*Facts, *Known) { return func(f *Facts, _ *Known) { f.Weighings = w } }
	for _, tc := range []struct {
		name   string
		change func(*Facts, *Known)
		net    lot.Quantity
		rule   string
	}{
		{"gross and tare", func(*Facts, *Known) {}, 1_000_500_000, ""},
		{"net alone", over(pounds(weighing.Net, "5")), 5_000_000, ""},
		{"a bag beside a load", over(pounds(weighing.Gross, "100"), pounds(weighing.Tare, "40"), pounds(weighing.Net, "5.5")), 65_500_000, ""},
		{"two scales, hours apart", over(pounds(weighing.Gross, "100"), pounds(weighing.Gross, "50"), pounds(weighing.Tare, "30"), pounds(weighing.Tare, "20")), 100_000_000, ""},
		// NIST Handbook 44, appendix C: 1 lb = 0.45359237 kg exactly, so 453.59237 kg are 1,000 lb and 100 kg are 220.462262 lb.
		{"kilograms and pounds in one delivery", over(kilograms(weighing.Gross, "453.59237"), pounds(weighing.Tare, "400")), 600_000_000, ""},
		{"pounds less kilograms", over(pounds(weighing.Gross, "1000"), kilograms(weighing.Tare, "100")), 779_537_738, ""},
		{"each weight is converted once", over(kilograms(weighing.Net, "1"), kilograms(weighing.Net, "1")), 2 * 2_204_623, ""},
		{"tare above gross", over(pounds(weighing.Gross, "500"), pounds(weighing.Tare, "1500.5")), 0, "tare_above_gross"},
		{"tare above gross beside a net", over(pounds(weighing.Gross, "1"), pounds(weighing.Tare, "2"), pounds(weighing.Net, "9")), 0, "tare_above_gross"},
		{"net of zero", over(pounds(weighing.Gross, "500"), pounds(weighing.Tare, "500.0")), 0, "net_not_positive"},
		{"empty net", over(pounds(weighing.Net, "0")), 0, "net_not_positive"},
		{"net beside an even pair", over(pounds(weighing.Gross, "5"), pounds(weighing.Tare, "5"), pounds(weighing.Net, "3")), 3_000_000, ""},
		{"no weighing", over(), 0, "weighing_missing"},
		{"a weight below zero", over(pounds(weighing.Gross, "5"), pounds(weighing.Tare, "-5")), 0, "weight_negative"},
		{"sum out of range", over(pounds(weighing.Gross, "9000000000000"), pounds(weighing.Gross, "9000000000000")), 0, "weight_out_of_range"},
		{"more gross than the inventory takes", over(pounds(weighing.Gross, "1000000000.000001"), pounds(weighing.Tare, "1")), 0, "quantity_out_of_range"},
		{"six decimals", over(pounds(weighing.Net, "5.000001")), 5_000_001, ""},
		{"more places than a micropound", over(pounds(weighing.Net, "5.0000001")), 0, "number_too_fine"},
		{"more places of a kilogram", over(kilograms(weighing.Net, "5.0000000")), 0, "number_too_fine"},
		{"price out of range", func(f *Facts, _ *Known) { f.Price = new(money.Price(1_000_000_001)) }, 0, "price_out_of_range"},
		{"purchase out of range", func(f *Facts, _ *Known) { f.Price, f.Pay = new(money.Price(900_000_000)), new(10_000_000*weight.Pound) }, 0, "amount_out_of_range"},
		{"pay weight out of range", func(f *Facts, _ *Known) { f.Price, f.Pay = nil, new(2_000_000_000*weight.Pound) }, 0, "quantity_out_of_range"},
		{"freight out of range", func(f *Facts, _ *Known) { f.Freight = 1_000_000_000_000_001 }, 0, "amount_out_of_range"},
		{"landed charge out of range", func(f *Facts, _ *Known) { f.Charges = []lot.LandedCharge{{Name: "broker", Amount: 1 << 62}} }, 0, "amount_out_of_range"},
		{"kind not given", over(pounds(0, "5")), 0, "kind_unknown"},
		{"wrong unit", over(Weighing{Kind: weighing.Net, Digits: "5", Unit: "lbs"}), 0, "unit_unknown"},
		{"thousands separator", over(pounds(weighing.Net, "1,500")), 0, "number_malformed"},
		{"a stored reading", over(Weighing{Kind: weighing.Gross, Scale: "W1", Sequence: 3}), 20_000_000, ""},
		{"a stored reading of another kind", over(Weighing{Kind: weighing.Tare, Scale: "W1", Sequence: 3}), 0, "reading_kind"},
		{"a reading that is not stored", over(Weighing{Kind: weighing.Gross, Scale: "W1", Sequence: 4}), 0, "reading_unknown"},
		{"neither digits nor reading", over(Weighing{Kind: weighing.Gross, Scale: "W1"}), 0, "weighing_empty"},
		{"scale not known", over(Weighing{Kind: weighing.Net, Scale: "W9", Digits: "5", Unit: "LBR"}), 0, "scale_unknown"},
		{"party not known", func(_ *Facts, k *Known) { k.Roles = nil }, 0, "party_unknown"},
		{"item not known", func(_ *Facts, k *Known) { k.Item = nil }, 0, "item_unknown"},
		{"item kept by count", func(_ *Facts, k *Known) { k.Item.Measure = lot.ByCount }, 0, "measure_wrong"},
		{"custom with a price", func(f *Facts, _ *Known) { f.Ownership = lot.Custom }, 0, "custom_not_priced"},
		{"custom of a party that is no client", func(f *Facts, _ *Known) { f.Ownership, f.Price = lot.Custom, nil }, 0, "party_no_custom_client"},
		{"seller's own with a price", func(f *Facts, _ *Known) { f.Ownership = lot.SellersOwn }, 0, "title_not_passed"},
		{"price below zero", func(f *Facts, _ *Known) { f.Price = new(money.Price(-1)) }, 0, "price_negative"},
		{"freight below zero", func(f *Facts, _ *Known) { f.Freight = -1 }, 0, "amount_negative"},
		{"charge without a name", func(f *Facts, _ *Known) { f.Charges = []lot.LandedCharge{{Amount: 1}} }, 0, "charge_malformed"},
		{"kernel above sample", func(f *Facts, _ *Known) { f.Sample = &lot.Sample{SampleMilligrams: 1, KernelMilligrams: 2} }, 0, "sample_figures"},
		{"rejects above kernel", func(f *Facts, _ *Known) {
			f.Sample = &lot.Sample{SampleMilligrams: 9, KernelMilligrams: 2, RejectMilligrams: 3}
		}, 0, "sample_figures"},
		{"variety too long", func(f *Facts, _ *Known) { f.Variety = strings.Repeat("x", 101) }, 0, "text_too_long"},
		{"NUL in a text", func(f *Facts, _ *Known) { f.Document = "\x00" }, 0, "text_malformed"},
	} {
		f, known := sound()
		tc.change(&f, &known)
		got, err := f.judge(known)
		if fault.ReasonOf(err) != tc.rule || (err != nil) != (tc.rule != "") {
			t.Errorf("%s: %v, want rule %q", tc.name, err, tc.rule)
			continue
		}
		if err == nil && (got.Facts.Quantity != tc.net || got.Facts.Gross-got.Facts.Tare != weight.Mass(tc.net)) {
			t.Errorf("%s: net %d, gross %d less tare %d; want %d", tc.name, got.Facts.Quantity, got.Facts.Gross, got.Facts.Tare, tc.net)
		}
	}
}

func TestOwnersAndPurchase(t *testing.T) {
	t.Parallel()
	type answer struct {
		Owner    lot.PartyID
		Purchase money.Amount
		Pay      lot.Quantity
	}
	for _, tc := range []struct {
		name   string
		change func(*Facts, *Known)
		want   answer
	}{
		{"the company pays for the net, half up to the cent", func(*Facts, *Known) {}, answer{"", 1_250_630_000, 1_000_500_000}},
		{"without a price", func(f *Facts, _ *Known) { f.Price = nil }, answer{"", 0, 1_000_500_000}},
		{"an agreed pay weight", func(f *Facts, _ *Known) { f.Pay = new(1000 * weight.Pound) }, answer{"", 1_250_000_000, 1_000_000_000}},
		{"a custom client's", func(f *Facts, k *Known) {
			f.Ownership, f.Price, k.Roles = lot.Custom, nil, []lot.PartyRole{lot.Seller, lot.CustomClient}
		}, answer{"P1", 0, 1_000_500_000}},
		{"still the seller's", func(f *Facts, _ *Known) { f.Ownership, f.Price = lot.SellersOwn, nil }, answer{"P1", 0, 1_000_500_000}},
	} {
		f, known := sound()
		tc.change(&f, &known)
		s, err := f.judge(known)
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
			continue
		}
		if diff := cmp.Diff(tc.want, answer{s.Facts.Owner, s.Facts.Purchase, s.Pay}); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

func TestJudgeIngredient(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct {
		name   string
		change func(*Ingredient, *Known)
		rule   string
	}{
		{"sound", func(*Ingredient, *Known) {}, ""},
		{"by count", func(_ *Ingredient, k *Known) { k.Item.Measure = lot.ByCount }, ""},
		{"supplier not known", func(_ *Ingredient, k *Known) { k.Roles = nil }, "party_unknown"},
		{"item not known", func(_ *Ingredient, k *Known) { k.Item = nil }, "item_unknown"},
		{"nothing", func(i *Ingredient, _ *Known) { i.Quantity = 0 }, "quantity_not_positive"},
		{"bill below zero", func(i *Ingredient, _ *Known) { i.Cost = -1 }, "amount_negative"},
		{"more pounds than the inventory takes", func(i *Ingredient, _ *Known) { i.Quantity = 1_000_000_000_000_001 }, "quantity_out_of_range"},
		{"more pieces than the inventory takes", func(i *Ingredient, k *Known) { i.Quantity, k.Item.Measure = 1_000_000_001, lot.ByCount }, "quantity_out_of_range"},
		{"bill out of range", func(i *Ingredient, _ *Known) { i.Cost = 1_000_000_000_000_001 }, "amount_out_of_range"},
		{"no such day", func(i *Ingredient, _ *Known) { i.BestBy = "2025-02-30" }, "day_malformed"},
	} {
		i := Ingredient{Lot: "R1", Supplier: "P1", Item: "SUGAR", Quantity: 5, Cost: 7_000_000, BestBy: "2025-02-28"}
		_, known := sound()
		tc.change(&i, &known)
		got, err := i.judge(known)
		if fault.ReasonOf(err) != tc.rule || (err != nil) != (tc.rule != "") {
			t.Errorf("%s: %v, want rule %q", tc.name, err, tc.rule)
		}
		if err == nil && (got.Facts.Measure != known.Item.Measure || got.Facts.Purchase != 7_000_000 || got.Facts.Ownership != lot.Company) {
			t.Errorf("%s: %+v", tc.name, got.Facts)
		}
	}
}
