package season

import (
	"fmt"
	"slices"

	"huskline/internal/lot"
	"huskline/internal/money"
)

var roles = map[string]lot.Role{"main": lot.Main, "byproduct": lot.ByProduct, "waste": lot.Waste}

// gainReason stands where a run gave more than it took in: these folders have no column for one.
const gainReason = "as imported"

func (t *translator) runPosted(c *cells) []fact {
	start, end := c.instant("start"), c.instant("end")
	rows := t.run(c.row)
	body := lot.RunPosted{Run: lot.RunID(c.text("run")), Version: 1, Stage: c.text("stage"), Owner: t.runOwner(rows), Final: true}
	f := fact{key: "run " + c.text("run"), order: start, class: classRun}
	var in, out lot.Quantity
	for i, row := range rows.inputs {
		r := &cells{row: row}
		line := lot.RunInput{
			Line: int64(i + 1), Lot: r.lot("lot"), Quantity: r.quantity("weight_lb"), At: start,
			DumpedFrom: r.optional("dumped_from"), DumpedTo: r.optional("dumped_to"), MoisturePPM: r.percent("moisture_pct"),
		}
		if !line.DumpedFrom.IsZero() {
			line.At = line.DumpedFrom
		}
		c.fail("run_inputs", r.err)
		body.Inputs, f.uses, in = append(body.Inputs, line), append(f.uses, line.Lot), in+line.Quantity
	}
	for i, row := range rows.outputs {
		r := &cells{row: row}
		line := lot.RunOutput{
			Line: int64(i + 1), Lot: r.lot("lot"), Item: lot.ItemID(r.text("item")), Measure: lot.ByWeight,
			Quantity: r.quantity("weight_lb"), Role: roles[r.text("role")], Owner: body.Owner, At: end,
			FilledFrom: r.optional("filled_from"), FilledTo: r.optional("filled_to"), MoisturePPM: r.percent("moisture_pct"),
		}
		if line.Role == 0 {
			r.fail("role", fmt.Errorf("%q is no role of an output", r.text("role")))
		}
		if !line.FilledTo.IsZero() {
			line.At = line.FilledTo
		}
		c.fail("run_outputs", r.err)
		body.Outputs, f.makes, out = append(body.Outputs, line), append(f.makes, line.Lot), out+line.Quantity
	}
	for _, row := range rows.contributions {
		r := &cells{row: row}
		body.Contributions = append(body.Contributions, lot.Contribution{
			Input: r.lot("input_lot"), Output: r.lot("output_lot"), Quantity: r.quantity("weight_lb"),
		})
		c.fail("contributions", r.err)
	}
	if out > in {
		body.GainReason = gainReason
	}
	f.Event = event(end, body, slices.Concat(f.uses, f.makes)...)
	return []fact{f}
}

func (t *translator) poured(c *cells) []fact {
	id, bin, at := c.lot("lot"), c.lot("bin_lot"), c.instant("time")
	body := lot.Poured{
		Pour: c.text("pour"), Bin: bin, Item: t.item[bin], Measure: lot.ByWeight, Lot: id, Quantity: c.quantity("weight_lb"),
	}
	return []fact{{
		Event: event(at, body, bin, id), key: "pour " + c.text("pour"), order: at, class: classPour,
		makes: []lot.ID{bin}, uses: []lot.ID{id},
	}}
}

// account says what happens to the dollars of lost pounds: moisture leaves them on what stays, all else writes them off.
func account(reason string) lot.Account {
	return lot.Account{Name: reason, WritesOff: reason != "moisture"}
}

func (t *translator) adjusted(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	body := lot.Adjusted{
		Adjustment: c.text("adjustment"), Lot: id, Delta: c.quantity("delta_lb"), Reason: c.text("reason"), Account: account(c.text("reason")),
	}
	return []fact{{Event: event(at, body, id), key: "adjustment " + c.text("adjustment"), order: at, class: classAdjustment, uses: []lot.ID{id}}}
}

func (t *translator) shipped(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	body := lot.Shipped{
		Shipment: c.text("shipment"), ShipKind: lot.Sale, Consignee: lot.PartyID(c.text("customer")), Channel: c.text("channel"),
		Carrier: c.text("carrier"), Document: c.text("document"), FreightOut: c.amount("freight_out"),
		Lines: []lot.ShipmentLine{{Line: 1, Lot: id, Quantity: c.quantity("weight_lb"), Price: c.price("price_per_lb")}},
	}
	if body.Channel == "return to owner" {
		body.ShipKind = lot.ReturnToOwner
	}
	return []fact{{Event: event(at, body, id), key: "shipment " + c.text("shipment"), order: at, class: classShipment, uses: []lot.ID{id}}}
}

func (t *translator) returned(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	origin := t.line[c.text("shipment")]
	if origin == "" {
		c.fail("shipment", fmt.Errorf("shipment %q is not in shipments.csv", c.text("shipment")))
	}
	body := lot.Returned{
		Return: c.text("return"), Shipment: c.text("shipment"), Line: 1, Origin: origin, Lot: id, Item: t.item[id],
		Measure: lot.ByWeight, Owner: t.owner[id], Quantity: c.quantity("weight_lb"),
	}
	return []fact{{
		Event: event(at, body, origin, id), key: "return " + c.text("return"), order: at, class: classReceipt,
		makes: []lot.ID{id}, uses: []lot.ID{origin}, after: []string{"shipment " + c.text("shipment")},
	}}
}

func (t *translator) runOpened(c *cells) []fact {
	start := c.instant("start")
	body := lot.RunOpened{
		Run: lot.RunID(c.text("run")), Stage: c.text("stage"), Line: c.text("line"), Start: start,
		Owner: t.runOwner(t.run(c.row)), Recipe: c.text("recipe"),
	}
	return []fact{{Event: event(start, body), key: "opened " + c.text("run"), order: start, class: classRun}}
}

// charges are labour and machine hours at their rates, and the other cost, each at the run's end.
func (t *translator) charges(c *cells) []fact {
	at, run := c.instant("end"), c.text("run")
	var out []fact
	for _, of := range []struct {
		name  string
		kind  lot.ChargeKind
		hours string
		rate  string
	}{
		{"labour", lot.Labour, "labor_hours", "labor_rate"},
		{"machine", lot.Machine, "machine_hours", "machine_rate"},
		{"other", lot.OtherCharge, "", ""},
	} {
		body := lot.ChargePosted{
			Charge: run + "/" + of.name, Runs: []lot.RunID{lot.RunID(run)}, ChargeKind: of.kind, Amount: c.amount("other_cost"),
		}
		if of.hours != "" {
			var err error
			body.HoursMillionths, body.Rate = c.decimal(of.hours, 6, 0), money.Price(c.decimal(of.rate, 6, 0))
			body.Amount, err = money.Hours(body.HoursMillionths, body.Rate)
			c.fail(of.hours, err)
		}
		out = append(out, fact{
			Event: event(at, body), key: "charge " + body.Charge, order: at, class: classAdjustment, after: []string{"opened " + run},
		})
	}
	return out
}

func (t *translator) runCompleted(c *cells) []fact {
	run, end := c.text("run"), c.instant("end")
	body := lot.RunCompleted{Run: lot.RunID(run), Version: 1, End: end}
	for _, row := range t.run(c.row).inputs {
		body.Input += (&cells{row: row}).quantity("weight_lb")
	}
	for _, row := range t.run(c.row).outputs {
		body.Output += (&cells{row: row}).quantity("weight_lb")
	}
	body.Unaccounted = body.Input - body.Output
	if body.Unaccounted < 0 {
		body.GainReason = gainReason
	}
	return []fact{{
		Event: event(end, body), key: "completed " + run, order: end, class: classLater,
		after: []string{"opened " + run, "charge " + run + "/labour", "charge " + run + "/machine", "charge " + run + "/other"},
	}}
}
