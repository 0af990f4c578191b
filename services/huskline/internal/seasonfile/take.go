package seasonfile

import (
	"time"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// The functions of this file turn the cells of a row into its type. What a row says together with others is judged later.

func takeParty(r *record) Party {
	p := Party{
		ID:      lot.PartyID(r.key("party")),
		Name:    r.someText("name"),
		Role:    enum(r, "role", partyRoles),
		Address: r.text("address"),
		Phone:   r.text("phone"),
	}
	p.row = r.row
	return p
}

func takeItem(r *record) Item {
	i := Item{
		ID:        lot.ItemID(r.key("item")),
		Name:      r.someText("name"),
		Kind:      enum(r, "kind", itemKinds),
		SplitOff:  r.priceOrNone("split_off_price_per_lb"),
		Allergens: allergensOf(r),
	}
	if r.cell("unit_lb") != "" {
		i.Unit = r.mass("unit_lb")
	}
	i.row = r.row
	return i
}

func (l *load) takeDelivery(r *record) Delivery {
	d := Delivery{
		Lot:       r.lot("lot"),
		Time:      l.clock(r, "time"),
		Seller:    lot.PartyID(r.key("seller")),
		Ownership: enum(r, "ownership", ownerships),
		Item:      lot.ItemID(r.key("item")),
		Variety:   r.short("variety"),
		Gross:     r.massOrZero("gross_lb"),
		Tare:      r.massOrZero("tare_lb"),
		Sample:    takeSample(r),
		Price:     r.priceOrNone("price_per_lb"),
		Freight:   r.amountOrNone("freight"),
	}
	if r.cell("crop_year") != "" {
		d.CropYear = r.whole("crop_year", 1900, 2999)
	}
	if !r.broken {
		if _, err := weight.Net(d.Gross, d.Tare); err != nil {
			r.failErr("tare_lb", err)
		}
	}
	switch {
	case d.Ownership == lot.Custom && d.Price != nil:
		r.fail("price_per_lb", "custom_priced", "%s: custom nuts are bought by nobody; the price must be empty", d.Price)
	case d.Ownership == lot.Company && r.cell("price_per_lb") == "":
		r.fail("price_per_lb", "price_missing", "the cell is empty; nuts of the company need the price paid, 0 where there was none")
	}
	d.row = r.row
	return d
}

// takeSample reads the crack-out of a delivery: nil where no figure is given. The kernel weight includes the rejects.
func takeSample(r *record) *lot.Sample {
	fields := []string{"moisture_pct", "foreign_pct", "sample_g", "sample_kernel_g", "sample_reject_g", "nuts_per_lb"}
	given := 0
	for _, f := range fields {
		if r.cell(f) != "" {
			given++
		}
	}
	if given == 0 {
		return nil
	}
	s := &lot.Sample{MoisturePPM: r.percentOrUnknown("moisture_pct"), ForeignPPM: r.percentOrUnknown("foreign_pct")}
	if r.cell("nuts_per_lb") != "" {
		s.NutsPerPound = r.whole("nuts_per_lb", 1, 10_000)
	}
	takeCrackOut(r, s)
	return s
}

// takeCrackOut reads the grams of the cracked sample: all three or none.
func takeCrackOut(r *record, s *lot.Sample) {
	if r.cell("sample_g") == "" && r.cell("sample_kernel_g") == "" && r.cell("sample_reject_g") == "" {
		return
	}
	s.SampleMilligrams = r.number("sample_g", 3)
	s.KernelMilligrams = r.number("sample_kernel_g", 3)
	s.RejectMilligrams = r.number("sample_reject_g", 3)
	if r.broken {
		return
	}
	switch {
	case s.SampleMilligrams == 0:
		r.fail("sample_g", "sample_empty", "0 g: a sample must be above zero, or its cells empty")
	case s.KernelMilligrams > s.SampleMilligrams:
		r.fail("sample_kernel_g", "kernel_above_sample", "%s g of kernel in a sample of %s g", r.cell("sample_kernel_g"), r.cell("sample_g"))
	case s.RejectMilligrams > s.KernelMilligrams:
		r.fail("sample_reject_g", "reject_above_kernel", "%s g of reject in %s g of kernel, which includes the rejects", r.cell("sample_reject_g"),
			r.cell("sample_kernel_g"))
	}
}

func (l *load) takeReceipt(r *record) Receipt {
	c := Receipt{
		Lot:         r.lot("lot"),
		Time:        l.clock(r, "time"),
		Supplier:    lot.PartyID(r.key("supplier")),
		Item:        lot.ItemID(r.key("item")),
		Weight:      r.mass("weight_lb"),
		Cost:        r.amount("cost"),
		SupplierLot: r.short("supplier_lot"),
		BestBy:      r.day("best_by"),
		Packaging:   r.text("packaging"),
		Carrier:     r.text("carrier"),
		Document:    r.text("document"),
	}
	c.row = r.row
	return c
}

func (l *load) takeRun(r *record) Run {
	n := Run{
		ID:           lot.RunID(r.key("run")),
		Stage:        r.stage("stage"),
		Line:         r.short("line"),
		Start:        l.clock(r, "start"),
		End:          l.clock(r, "end"),
		LaborHours:   r.number("labor_hours", 6),
		LaborRate:    r.price("labor_rate"),
		MachineHours: r.number("machine_hours", 6),
		MachineRate:  r.price("machine_rate"),
		Other:        r.amount("other_cost"),
		Recipe:       r.short("recipe"),
	}
	if !r.broken && n.End.Before(n.Start) {
		r.fail("end", "end_before_start", "the run ends at %s, before it starts at %s", stamp(n.End), stamp(n.Start))
	}
	n.row = r.row
	return n
}

func (l *load) takeInput(r *record) RunInput {
	i := RunInput{
		Run:         lot.RunID(r.key("run")),
		Lot:         r.lot("lot"),
		Weight:      r.mass("weight_lb"),
		DumpedFrom:  l.clockOrUnknown(r, "dumped_from"),
		DumpedTo:    l.clockOrUnknown(r, "dumped_to"),
		MoisturePPM: r.percentOrUnknown("moisture_pct"),
	}
	if !r.broken && !i.DumpedFrom.IsZero() && !i.DumpedTo.IsZero() && i.DumpedTo.Before(i.DumpedFrom) {
		r.fail("dumped_to", "end_before_start", "dumping ends at %s, before it starts at %s", stamp(i.DumpedTo), stamp(i.DumpedFrom))
	}
	i.row = r.row
	return i
}

func (l *load) takeOutput(r *record) RunOutput {
	o := RunOutput{
		Run:         lot.RunID(r.key("run")),
		Lot:         r.lot("lot"),
		Item:        lot.ItemID(r.key("item")),
		Weight:      r.mass("weight_lb"),
		Role:        enum(r, "role", outputRoles),
		FilledFrom:  l.clockOrUnknown(r, "filled_from"),
		FilledTo:    l.clockOrUnknown(r, "filled_to"),
		MoisturePPM: r.percentOrUnknown("moisture_pct"),
	}
	if !r.broken && !o.FilledFrom.IsZero() && !o.FilledTo.IsZero() && o.FilledTo.Before(o.FilledFrom) {
		r.fail("filled_to", "end_before_start", "filling ends at %s, before it starts at %s", stamp(o.FilledTo), stamp(o.FilledFrom))
	}
	o.row = r.row
	return o
}

func takeContribution(r *record) Contribution {
	c := Contribution{
		Run:    lot.RunID(r.key("run")),
		Input:  r.lot("input_lot"),
		Output: r.lot("output_lot"),
		Weight: r.massOrZero("weight_lb"),
	}
	c.row = r.row
	return c
}

func (l *load) takePour(r *record) Pour {
	p := Pour{ID: r.key("pour"), Time: l.clock(r, "time"), Bin: r.lot("bin_lot"), Lot: r.lot("lot"), Weight: r.mass("weight_lb")}
	if !r.broken && p.Bin == p.Lot {
		r.fail("lot", "poured_into_itself", "lot %s is poured into itself", p.Lot)
	}
	p.row = r.row
	return p
}

func (l *load) takeAdjustment(r *record) Adjustment {
	a := Adjustment{ID: r.key("adjustment"), Time: l.clock(r, "time"), Lot: r.lot("lot"), Reason: enum(r, "reason", reasons)}
	delta, ok := r.signedMass("delta_lb")
	if ok && delta == 0 {
		r.fail("delta_lb", "adjustment_empty", "0 lb: an adjustment must change the weight")
	}
	a.Delta, a.row = delta, r.row
	return a
}

func (l *load) takeShipment(r *record) Shipment {
	s := Shipment{
		ID:         r.key("shipment"),
		Time:       l.clock(r, "time"),
		Customer:   lot.PartyID(r.key("customer")),
		Lot:        r.lot("lot"),
		Weight:     r.mass("weight_lb"),
		Channel:    r.short("channel"),
		Carrier:    r.text("carrier"),
		Document:   r.text("document"),
		Price:      r.priceOrNone("price_per_lb"),
		FreightOut: r.amountOrNone("freight_out"),
	}
	s.row = r.row
	return s
}

func (l *load) takeReturn(r *record) Return {
	t := Return{ID: r.key("return"), Time: l.clock(r, "time"), Shipment: r.key("shipment"), Lot: r.lot("lot"), Weight: r.mass("weight_lb")}
	t.row = r.row
	return t
}

func (l *load) takeFinalPrice(r *record) FinalPrice {
	f := FinalPrice{Lot: r.lot("lot"), Time: l.clock(r, "time"), Price: r.price("final_price_per_lb")}
	f.row = r.row
	return f
}

// stamp prints a moment as the season's files write it.
func stamp(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
