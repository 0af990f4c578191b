package season

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// timeColumns are those that say when something happened at the plant.
var timeColumns = []string{"time", "start", "end"}

// translator holds what rows say about things that other rows name.
type translator struct {
	tables   map[string][]Row
	earliest time.Time
	net      map[lot.ID]weight.Mass
	item     map[lot.ID]lot.ItemID
	owner    map[lot.ID]lot.PartyID
	line     map[string]lot.ID // shipment: its lot
	runs     map[string]*runRows
}

// runRows are the lines of a run in file order.
type runRows struct{ inputs, outputs, contributions []Row }

func translate(tables map[string][]Row) ([]fact, error) {
	t := &translator{
		tables: tables, net: map[lot.ID]weight.Mass{}, item: map[lot.ID]lot.ItemID{},
		owner: map[lot.ID]lot.PartyID{}, line: map[string]lot.ID{}, runs: map[string]*runRows{},
	}
	t.survey()
	t.handOwnersDown()
	var out []fact
	intake, err := t.each([]table{
		{"items", "item", t.itemChanged}, {"parties", "party", t.partyChanged}, {"deliveries", "lot", t.delivery},
		{"receipts", "lot", t.receipt}, {"final_prices", "lot", t.settled},
	})
	if err != nil {
		return nil, err
	}
	readings, err := t.readings()
	if err != nil {
		return nil, err
	}
	inventory, err := t.each([]table{
		{"runs", "run", t.runPosted}, {"pours", "pour", t.poured}, {"adjustments", "adjustment", t.adjusted},
		{"shipments", "shipment", t.shipped}, {"returns", "return", t.returned},
	})
	if err != nil {
		return nil, err
	}
	production, err := t.each([]table{{"runs", "run", t.runOpened}, {"runs", "run", t.charges}, {"runs", "run", t.runCompleted}})
	if err != nil {
		return nil, err
	}
	for _, of := range []struct {
		producer lot.Producer
		facts    []fact
	}{{lot.Intake, append(intake, readings...)}, {lot.Inventory, inventory}, {lot.Production, production}} {
		placed, err := sequence(of.facts)
		if err != nil {
			return nil, err
		}
		for _, f := range placed {
			f.producer = of.producer
			out = append(out, f)
		}
	}
	return out, nil
}

// table is a file, its key column and what one row of it says.
type table struct {
	name, key string
	say       func(c *cells) []fact
}

func (t *translator) each(tables []table) ([]fact, error) {
	var out []fact
	for _, of := range tables {
		for _, row := range t.tables[of.name] {
			c := &cells{row: row}
			out = append(out, of.say(c)...)
			if c.err != nil {
				return nil, fmt.Errorf("season: %s.csv: %s %s: %w", of.name, of.key, row[of.key], c.err)
			}
		}
	}
	return out, nil
}

// survey notes what other rows refer to. Faults in what it reads are found again, and reported, where the row itself is translated.
func (t *translator) survey() {
	for _, rows := range t.tables {
		for _, row := range rows {
			for _, column := range timeColumns {
				at, err := time.Parse(time.RFC3339, row[column])
				if err == nil && (t.earliest.IsZero() || at.Before(t.earliest)) {
					t.earliest = at.UTC()
				}
			}
		}
	}
	for _, row := range t.tables["deliveries"] {
		c, id := &cells{row: row}, lot.ID(row["lot"])
		t.net[id], t.item[id] = c.mass("gross_lb")-c.mass("tare_lb"), lot.ItemID(row["item"])
		if row["ownership"] == "custom" {
			t.owner[id] = lot.PartyID(row["seller"])
		}
	}
	for _, row := range t.tables["receipts"] {
		t.item[lot.ID(row["lot"])] = lot.ItemID(row["item"])
	}
	for _, row := range t.tables["runs"] {
		t.runs[row["run"]] = &runRows{}
	}
	for _, row := range t.tables["run_inputs"] {
		t.run(row).inputs = append(t.run(row).inputs, row)
	}
	for _, row := range t.tables["run_outputs"] {
		t.run(row).outputs = append(t.run(row).outputs, row)
		t.item[lot.ID(row["lot"])] = lot.ItemID(row["item"])
	}
	for _, row := range t.tables["contributions"] {
		t.run(row).contributions = append(t.run(row).contributions, row)
	}
	for _, row := range t.tables["shipments"] {
		t.line[row["shipment"]] = lot.ID(row["lot"])
	}
}

func (t *translator) run(row Row) *runRows {
	if t.runs[row["run"]] == nil {
		t.runs[row["run"]] = &runRows{}
	}
	return t.runs[row["run"]]
}

// handOwnersDown gives what is made, poured or brought back the owner and, where it has none of its own, the item of what it came from,
// until nothing changes.
func (t *translator) handOwnersDown() {
	hand := func(from, to lot.ID) bool {
		changed := false
		if t.owner[from] != "" && t.owner[to] == "" {
			t.owner[to], changed = t.owner[from], true
		}
		if t.item[from] != "" && t.item[to] == "" {
			t.item[to], changed = t.item[from], true
		}
		return changed
	}
	for changed := true; changed; {
		changed = false
		for _, rows := range t.runs {
			for _, in := range rows.inputs {
				for _, out := range rows.outputs {
					changed = hand(lot.ID(in["lot"]), lot.ID(out["lot"])) || changed
				}
			}
		}
		for _, row := range t.tables["pours"] {
			changed = hand(lot.ID(row["lot"]), lot.ID(row["bin_lot"])) || changed
		}
		for _, row := range t.tables["returns"] {
			changed = hand(t.line[row["shipment"]], lot.ID(row["lot"])) || changed
		}
	}
}

// runOwner is the owner of the first input that has one: a run never mixes owners.
func (t *translator) runOwner(rows *runRows) lot.PartyID {
	for _, in := range rows.inputs {
		if owner := t.owner[lot.ID(in["lot"])]; owner != "" {
			return owner
		}
	}
	return ""
}

func event(at time.Time, body lot.Body, lots ...lot.ID) lot.Event {
	return lot.Event{Lots: unique(lots), Effective: at, Body: body}
}

func unique(ids []lot.ID) []lot.ID {
	var out []lot.ID
	for _, id := range ids {
		if !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

var itemKinds = map[string]lot.ItemKind{
	"in_shell": lot.InShell, "kernel": lot.Kernel, "byproduct": lot.ByProductItem, "waste": lot.WasteItem,
	"ingredient": lot.Ingredient, "finished": lot.Finished,
}

var partyRoles = map[string]lot.PartyRole{
	"seller": lot.Seller, "custom_client": lot.CustomClient, "customer": lot.Customer, "supplier": lot.Supplier,
	"own_orchard": lot.OwnOrchard,
}

func (t *translator) itemChanged(c *cells) []fact {
	kind, ok := itemKinds[c.text("kind")]
	if !ok {
		c.fail("kind", fmt.Errorf("%q is no kind of item", c.text("kind")))
	}
	var allergens []string
	if text := c.text("allergens"); text != "" {
		allergens = strings.Split(text, ";")
	}
	body := lot.ItemChanged{
		Item: lot.ItemID(c.text("item")), Name: c.text("name"), ItemKind: kind, Measure: lot.ByWeight,
		SplitOff: c.price("split_off_price_per_lb"), Unit: c.mass("unit_lb"), Allergens: allergens,
	}
	return []fact{{Event: event(t.earliest, body), key: "item " + c.text("item"), order: t.earliest, class: classBasis}}
}

func (t *translator) partyChanged(c *cells) []fact {
	role, ok := partyRoles[c.text("role")]
	if !ok {
		c.fail("role", fmt.Errorf("%q is no role of a party", c.text("role")))
	}
	body := lot.PartyChanged{
		Party: lot.PartyID(c.text("party")), Name: c.text("name"), Roles: []lot.PartyRole{role},
		Address: c.text("address"), Phone: c.text("phone"),
	}
	return []fact{{Event: event(t.earliest, body), key: "party " + c.text("party"), order: t.earliest, class: classBasis}}
}

func (t *translator) delivery(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	net, price := t.net[id], c.price("price_per_lb")
	body := lot.Received{
		Lot: id, Source: lot.Delivery, Item: t.item[id], Measure: lot.ByWeight, Quantity: lot.Quantity(net),
		Party: lot.PartyID(c.text("seller")), Ownership: lot.Company, Owner: t.owner[id],
		Gross: c.mass("gross_lb"), Tare: c.mass("tare_lb"), Price: price, Freight: c.amount("freight"),
		Variety: c.text("variety"), CropYear: c.decimal("crop_year", 0, 0),
		Sample: &lot.Sample{
			MoisturePPM: c.percent("moisture_pct"), ForeignPPM: c.percent("foreign_pct"),
			SampleMilligrams: c.decimal("sample_g", 3, 0), KernelMilligrams: c.decimal("sample_kernel_g", 3, 0),
			RejectMilligrams: c.decimal("sample_reject_g", 3, 0), NutsPerPound: c.decimal("nuts_per_lb", 0, 0),
		},
	}
	if c.text("ownership") == "custom" {
		body.Ownership = lot.Custom
	}
	if price != nil {
		body.Purchase = c.centLine(net, *price)
	}
	return []fact{{Event: event(at, body, id), key: "delivery " + string(id), order: at, class: classReceipt, makes: []lot.ID{id}}}
}

func (t *translator) receipt(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	body := lot.Received{
		Lot: id, Source: lot.IngredientReceipt, Item: t.item[id], Measure: lot.ByWeight, Quantity: c.quantity("weight_lb"),
		Party: lot.PartyID(c.text("supplier")), Ownership: lot.Company, Purchase: c.amount("cost"),
		SupplierLot: c.text("supplier_lot"), BestBy: c.text("best_by"), Packaging: c.text("packaging"),
		Carrier: c.text("carrier"), Document: c.text("document"),
	}
	return []fact{{Event: event(at, body, id), key: "receipt " + string(id), order: at, class: classReceipt, makes: []lot.ID{id}}}
}

func (t *translator) settled(c *cells) []fact {
	id, at := c.lot("lot"), c.instant("time")
	price := c.price("final_price_per_lb")
	if price == nil {
		price = new(money.Price)
	}
	name := "settle-" + string(id) + "-" + c.text("time")
	body := lot.PriceSettled{Settlement: name, Lot: id, Price: *price, Purchase: c.centLine(t.net[id], *price)}
	return []fact{{Event: event(at, body, id), key: name, order: at, class: classLater, uses: []lot.ID{id}}}
}
