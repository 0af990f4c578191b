package delivery

import (
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
	"huskline/services/intake/internal/weighing"
)

// The longest texts of a delivery.
const (
	maxText        = 500
	maxVariety     = 100
	maxSupplierLot = 100
)

// maxDecimals is how fine a typed weight may be in its unit: more places than a micropound has are a mistake of typing.
const maxDecimals = 6

// everything is all parts, in the parts-per-million of a sample.
const everything = 1_000_000

func (f Facts) want() Want {
	w := Want{Lot: f.Lot, Party: f.Party, Item: f.Item, Visit: f.Visit}
	for _, one := range f.Weighings {
		if one.Scale != "" && !slices.Contains(w.Scales, one.Scale) {
			w.Scales = append(w.Scales, one.Scale)
		}
		key := ReadingKey{Scale: one.Scale, Sequence: one.Sequence}
		if one.Keyed != 0 {
			w.Keyed = append(w.Keyed, one.Keyed)
			continue
		}
		if one.Digits == "" || one.Sequence != 0 {
			w.Readings = append(w.Readings, key)
		}
		if one.Sequence != 0 {
			w.Named = append(w.Named, key)
		}
	}
	return w
}

// judge holds a delivery to the rules and works out what came in. The code is not judged here.
func (f Facts) judge(known Known) (State, error) {
	if err := f.form(); err != nil {
		return State{}, err
	}
	if err := f.who(known); err != nil {
		return State{}, err
	}
	return f.made(known)
}

// made is what came in, of facts that were judged. Readings, scales and what an item is kept by stay as they are once known, so that it comes out
// the same later.
func (f Facts) made(known Known) (State, error) {
	weighed, err := f.weigh(known)
	if err != nil {
		return State{}, err
	}
	s := State{Version: 1, Weighings: weighed.all, Pay: lot.Quantity(weighed.net), Facts: lot.Received{
		Lot: f.Lot, Source: lot.Delivery, Item: f.Item, Measure: lot.ByWeight, Quantity: lot.Quantity(weighed.net), Party: f.Party,
		Ownership: f.Ownership, Place: f.Place, Gross: weighed.gross, Tare: weighed.tare, Price: f.Price, Freight: f.Freight, Charges: f.Charges,
		Variety: f.Variety, CropYear: f.CropYear, Sample: f.Sample, Carrier: f.Carrier, Document: f.Document,
		Visit: f.Visit, VisitLine: f.VisitLine, Draft: weighed.draft, Keyed: weighed.keyed,
	}}
	if f.Ownership != lot.Company {
		s.Facts.Owner = f.Party
	}
	if f.Pay != nil {
		s.Pay = lot.Quantity(*f.Pay)
	}
	if err := form.Quantity("pay weight", s.Pay, lot.ByWeight); err != nil {
		return s, err
	}
	if f.Price == nil {
		return s, nil
	}
	if err := s.Priceable(); err != nil {
		return s, err
	}
	if s.Facts.Purchase, err = s.Purchase(*f.Price); err != nil {
		return s, err
	}
	return s, form.Amount("purchase", s.Facts.Purchase)
}

// Purchase is what the lot costs at a price: pay quantity x price to the cent.
func (s State) Purchase(p money.Price) (money.Amount, error) {
	if s.Facts.Measure == lot.ByCount {
		return money.Pieces(int64(s.Pay), p)
	}
	return money.CentLine(weight.Mass(s.Pay), p)
}

func (f Facts) form() error {
	for _, text := range []struct {
		field, value string
		most         int
	}{{"variety", f.Variety, maxVariety}, {"carrier", f.Carrier, maxText}, {"document", f.Document, maxText}} {
		if err := form.Text(text.field, text.value, text.most); err != nil {
			return err
		}
	}
	if f.Price != nil {
		if err := form.Price("price", *f.Price); err != nil {
			return err
		}
	}
	if err := form.Amount("freight", f.Freight); err != nil {
		return err
	}
	switch {
	case f.Pay != nil && *f.Pay < 0:
		return fault.Invalid("weight_negative", "pay weight %s lb: it is not below zero", *f.Pay)
	case f.Ownership == lot.Custom && f.Price != nil:
		return fault.Invalid("custom_not_priced", "price %s: a custom client's nuts are not bought, so they have no price", *f.Price)
	case f.Ownership == lot.SellersOwn && f.Price != nil:
		return fault.Invalid("title_not_passed", "price %s: the nuts are still the seller's; a price comes with the purchase", *f.Price)
	}
	for _, c := range f.Charges {
		if err := form.Text("landed charge", c.Name, maxVariety); err != nil {
			return err
		}
		if c.Name == "" || c.Amount < 0 {
			return fault.Invalid("charge_malformed", "landed charge %q, %s: it has a name and is not below zero", c.Name, c.Amount)
		}
		if err := form.Amount("landed charge "+c.Name, c.Amount); err != nil {
			return err
		}
	}
	return sampleForm(f.Sample)
}

func sampleForm(s *lot.Sample) error {
	if s == nil {
		return nil
	}
	bad := s.SampleMilligrams < 0 || s.KernelMilligrams < 0 || s.RejectMilligrams < 0 || s.NutsPerPound < 0
	if bad || s.KernelMilligrams > s.SampleMilligrams || s.RejectMilligrams > s.KernelMilligrams {
		return fault.Invalid("sample_figures", "sample %d mg, kernel %d mg, rejects %d mg: the kernel is part of the sample, rejects are part of the kernel, none is below zero",
			s.SampleMilligrams, s.KernelMilligrams, s.RejectMilligrams)
	}
	if s.MoisturePPM > everything || s.ForeignPPM > everything {
		return fault.Invalid("sample_figures", "moisture %d, foreign material %d parts per million: neither is above 1,000,000", s.MoisturePPM, s.ForeignPPM)
	}
	return nil
}

// who judges party, item and ownership.
func (f Facts) who(known Known) error {
	switch {
	case known.Roles == nil:
		return fault.NotFound("party_unknown", "party %s: it is not registered", f.Party)
	case known.Item == nil:
		return fault.NotFound("item_unknown", "item %s: it is not registered", f.Item)
	case known.Item.Measure != lot.ByWeight:
		return fault.Invalid("measure_wrong", "item %s: it is kept by count, a delivery is weighed", f.Item)
	case f.Ownership == lot.Custom && !slices.Contains(known.Roles, lot.CustomClient):
		return fault.Precondition("party_no_custom_client", "party %s: it is no custom client", f.Party)
	}
	return nil
}

// weighed is the sum of a visit's weighings.
type weighed struct {
	all         []Weighing
	gross, tare weight.Mass
	net         weight.Mass
	draft       lot.Draft
	keyed       []int64
}

// weigh adds up: net = sum of gross - sum of tare + sum of net. Each weight is converted to micropounds by itself, half to even. Goods weighed
// alone count as gross, so that gross less tare is the net.
func (f Facts) weigh(known Known) (weighed, error) {
	var w weighed
	listed := f.Weighings
	if f.Visit != 0 {
		var err error
		if listed, w.draft, err = f.visited(known.Visit); err != nil {
			return w, err
		}
	}
	sums := map[weighing.Kind]*weight.Mass{weighing.Gross: &w.gross, weighing.Tare: &w.tare, weighing.Net: &w.net}
	once := once{}
	for i, one := range listed {
		got, err := one, error(nil)
		if f.Visit == 0 {
			if got, err = one.resolve(known, f.Lot); err == nil {
				err = once.take(got, known)
			}
		}
		if err != nil {
			return w, numbered(i, err)
		}
		sum, ok := sums[got.Kind]
		if !ok {
			return w, numbered(i, fault.Invalid("kind_unknown", "kind %d: a weighing is gross, tare or net", got.Kind))
		}
		if *sum, err = weight.Add(*sum, got.Mass); err != nil {
			return w, numbered(i, err)
		}
		w.all = append(w.all, got)
		if got.Keyed != 0 && !slices.Contains(w.keyed, got.Keyed) {
			w.keyed = append(w.keyed, got.Keyed)
		}
	}
	if len(w.all) == 0 {
		return w, fault.Invalid("weighing_missing", "delivery: it has no weighing")
	}
	alone := w.net
	if w.tare > w.gross || alone == 0 {
		if _, err := weight.Net(w.gross, w.tare); err != nil {
			return w, err
		}
	}
	var err error
	if w.gross, err = weight.Add(w.gross, alone); err != nil {
		return w, err
	}
	w.net = w.gross - w.tare
	return w, form.Quantity("gross", lot.Quantity(w.gross), lot.ByWeight)
}

// numbered puts the place of a weighing before what is wrong with it.
func numbered(i int, err error) error {
	return fault.New(fault.KindOf(err), fault.ReasonOf(err), "weighing %d: %w", i+1, err)
}

// resolve gives a weighing its weight, from its digits or from the stored reading that it names.
func (w Weighing) resolve(known Known, of lot.ID) (Weighing, error) {
	if w.Keyed != 0 {
		return w.keyed(known, of)
	}
	if w.Scale != "" && !known.Scales[w.Scale] {
		return w, fault.NotFound("scale_unknown", "scale %s: it is not registered", w.Scale)
	}
	if use := known.Used[ReadingKey{Scale: w.Scale, Sequence: w.Sequence}]; !use.Free() && (use.Visit != 0 || use.Lot != of) {
		return w, fault.Precondition("reading_used", "scale %s, sequence %d: it was used in %s; a weight is used once", w.Scale, w.Sequence, use.In())
	}
	if w.Digits == "" {
		r, ok := known.Readings[ReadingKey{Scale: w.Scale, Sequence: w.Sequence}]
		switch {
		case w.Scale == "" || w.Sequence == 0:
			return w, fault.Invalid("weighing_empty", "neither digits nor a scale's reading are given")
		case !ok:
			return w, fault.NotFound("reading_unknown", "scale %s: no reading is stored under sequence %d", w.Scale, w.Sequence)
		case r.Kind != w.Kind:
			return w, fault.Invalid("reading_kind", "scale %s, sequence %d: the reading is of another kind (gross, tare, net) than the weighing", w.Scale, w.Sequence)
		}
		w.Digits, w.Unit, w.Mass = r.Digits, r.Unit, r.Mass
		if w.Time.IsZero() {
			w.Time = r.Time
		}
		return w, nil
	}
	unit, err := weight.ParseUnit(w.Unit)
	if err != nil {
		return w, err
	}
	if w.Mass, err = weight.FromReading(w.Digits, unit); err != nil {
		return w, err
	}
	if _, decimals, _ := strings.Cut(w.Digits, "."); len(decimals) > maxDecimals {
		return w, fault.Invalid("number_too_fine", "digits %q: %d decimals, at most %d are allowed: a pound is kept to the micropound", w.Digits, len(decimals),
			maxDecimals)
	}
	if w.Mass < 0 {
		return w, fault.Invalid("weight_negative", "digits %q: a weight is not below zero", w.Digits)
	}
	return w, nil
}

// judge holds a bought ingredient to the rules.
func (i Ingredient) judge(known Known) (State, error) {
	for _, text := range []struct {
		field, value string
		most         int
	}{{"supplier's lot", i.SupplierLot, maxSupplierLot}, {"packaging", i.Packaging, maxText}, {"carrier", i.Carrier, maxText}, {"document", i.Document, maxText}} {
		if err := form.Text(text.field, text.value, text.most); err != nil {
			return State{}, err
		}
	}
	if _, err := time.Parse(time.DateOnly, i.BestBy); err != nil && i.BestBy != "" {
		return State{}, fault.Invalid("day_malformed", "best by %q: a day is written as 2025-06-30", i.BestBy)
	}
	switch {
	case known.Roles == nil:
		return State{}, fault.NotFound("party_unknown", "supplier %s: it is not registered", i.Supplier)
	case known.Item == nil:
		return State{}, fault.NotFound("item_unknown", "item %s: it is not registered", i.Item)
	case i.Quantity <= 0:
		return State{}, fault.Invalid("quantity_not_positive", "quantity %d: it must be above zero", i.Quantity)
	}
	if err := form.Quantity("quantity", i.Quantity, known.Item.Measure); err != nil {
		return State{}, err
	}
	if err := form.Amount("cost", i.Cost); err != nil {
		return State{}, err
	}
	return State{Version: 1, Pay: i.Quantity, Facts: lot.Received{
		Lot: i.Lot, Source: lot.IngredientReceipt, Item: i.Item, Measure: known.Item.Measure, Quantity: i.Quantity, Party: i.Supplier,
		Ownership: lot.Company, Place: i.Place, Purchase: i.Cost, SupplierLot: i.SupplierLot, BestBy: i.BestBy, Packaging: i.Packaging,
		Carrier: i.Carrier, Document: i.Document,
	}}, nil
}
