package demoseason

import (
	"encoding/csv"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"strings"
	"time"
)

type row map[string]string

// birth is how a lot came to be.
type birth struct {
	item, owner, run string
	weight           int64
	at               time.Time
}

// leg is micropounds that came to a lot or left it.
type leg struct {
	at   time.Time
	rank int
	w    int64
}

// checked is a folder read back, with the rules of a season checked on the text of its cells.
type checked struct {
	table   map[string][]row
	parties map[string]row
	items   map[string]row
	runs    map[string]row
	born    map[string]birth
	legs    map[string][]leg
	edges   map[string][]string // lots, and runs by "run "+id, to what was made from them
	bad     []string
}

func readFolder(dir string) (*checked, error) {
	c := &checked{table: map[string][]row{}, born: map[string]birth{}, legs: map[string][]leg{}, edges: map[string][]string{}}
	files, err := filepath.Glob(filepath.Join(dir, "*.csv"))
	if err != nil {
		return nil, err
	}
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			return nil, err
		}
		lines, err := csv.NewReader(strings.NewReader(string(text))).ReadAll()
		if err != nil {
			return nil, err
		}
		key := strings.TrimSuffix(filepath.Base(name), ".csv")
		for _, l := range lines[1:] {
			r := row{}
			for i, head := range lines[0] {
				r[head] = l[i]
			}
			c.table[key] = append(c.table[key], r)
		}
	}
	c.parties, c.items, c.runs = c.by("parties", "party"), c.by("items", "item"), c.by("runs", "run")
	c.births()
	c.movements()
	return c, nil
}

func (c *checked) fault(format string, args ...any) {
	c.bad = append(c.bad, fmt.Sprintf(format, args...))
}

func (c *checked) by(table, key string) map[string]row {
	m := map[string]row{}
	for _, r := range c.table[table] {
		if _, twice := m[r[key]]; twice {
			c.fault("%s: %s twice", table, r[key])
		}
		m[r[key]] = r
	}
	return m
}

// micro reads a decimal as millionths.
func (c *checked) micro(text string) int64 {
	r, ok := new(big.Rat).SetString(text)
	if !ok {
		c.fault("number %q", text)
		return 0
	}
	r.Mul(r, big.NewRat(1_000_000, 1))
	if !r.IsInt() {
		c.fault("number %q: more than six decimals", text)
	}
	return r.Num().Int64()
}

func (c *checked) when(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	early, late := time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC), time.Date(2026, 3, 31, 0, 0, 0, 0, time.UTC)
	if err != nil || !strings.HasSuffix(text, "Z") || t.Before(early) || t.After(late) {
		c.fault("time %q is no UTC time of the season", text)
	}
	return t
}

func (c *checked) bear(lot string, b birth) {
	if _, twice := c.born[lot]; twice {
		c.fault("lot %s born twice", lot)
	}
	if b.weight <= 0 {
		c.fault("lot %s born with %d", lot, b.weight)
	}
	if _, known := c.items[b.item]; !known {
		c.fault("lot %s: item %q", lot, b.item)
	}
	c.born[lot] = b
	c.legs[lot] = append(c.legs[lot], leg{b.at, 0, b.weight})
}

func (c *checked) births() {
	for _, d := range c.table["deliveries"] {
		b := birth{item: d["item"], at: c.when(d["time"]), weight: c.micro(d["gross_lb"]) - c.micro(d["tare_lb"])}
		role := c.parties[d["seller"]]["role"]
		switch d["ownership"] {
		case "custom":
			b.owner = d["seller"]
			if role != "custom_client" || d["price_per_lb"] != "" {
				c.fault("delivery %s: custom of a %s at %q", d["lot"], role, d["price_per_lb"])
			}
		case "company":
			if role != "seller" && role != "own_orchard" || c.micro(d["price_per_lb"]) <= 0 {
				c.fault("delivery %s: company of a %s at %q", d["lot"], role, d["price_per_lb"])
			}
		default:
			c.fault("delivery %s: ownership %q", d["lot"], d["ownership"])
		}
		c.bear(d["lot"], b)
	}
	for _, r := range c.table["receipts"] {
		if c.parties[r["supplier"]]["role"] != "supplier" || r["supplier_lot"] == "" || r["best_by"] == "" || c.micro(r["cost"]) <= 0 {
			c.fault("receipt %s: %v", r["lot"], r)
		}
		c.bear(r["lot"], birth{item: r["item"], at: c.when(r["time"]), weight: c.micro(r["weight_lb"])})
	}
	owner := map[string]string{}
	for _, i := range c.table["run_inputs"] {
		if strings.HasPrefix(i["lot"], "D-") {
			owner[i["run"]] = c.born[i["lot"]].owner
		}
	}
	for changed := true; changed; { // owners go down the runs, level by level
		changed = false
		of := map[string]string{}
		for _, o := range c.table["run_outputs"] {
			of[o["lot"]] = owner[o["run"]]
		}
		for _, i := range c.table["run_inputs"] {
			if w := of[i["lot"]]; w != "" && owner[i["run"]] == "" {
				owner[i["run"]], changed = w, true
			}
		}
	}
	for _, o := range c.table["run_outputs"] {
		at := c.runs[o["run"]]["end"]
		if o["filled_to"] != "" {
			at = o["filled_to"]
		}
		c.bear(o["lot"], birth{item: o["item"], owner: owner[o["run"]], run: o["run"], at: c.when(at), weight: c.micro(o["weight_lb"])})
	}
}

func (c *checked) use(lot string, at time.Time, rank int, w int64, by string) {
	b, known := c.born[lot]
	if !known || w <= 0 || !at.After(b.at) {
		c.fault("%s takes %d of %s at %s; born %+v", by, w, lot, at, b)
	}
	c.legs[lot] = append(c.legs[lot], leg{at, rank, -w})
}

func (c *checked) movements() {
	c.pourAll()
	for _, i := range c.table["run_inputs"] {
		at := c.runs[i["run"]]["start"]
		if i["dumped_from"] != "" {
			at = i["dumped_from"]
		}
		c.use(i["lot"], c.when(at), 1, c.micro(i["weight_lb"]), i["run"])
		c.edges[i["lot"]] = append(c.edges[i["lot"]], "run "+i["run"])
	}
	for _, o := range c.table["run_outputs"] {
		c.edges["run "+o["run"]] = append(c.edges["run "+o["run"]], o["lot"])
	}
	for _, a := range c.table["adjustments"] {
		if a["reason"] != "moisture" && a["reason"] != "damage" {
			c.fault("adjustment %s: reason %q", a["adjustment"], a["reason"])
		}
		c.use(a["lot"], c.when(a["time"]), 3, -c.micro(a["delta_lb"]), a["adjustment"])
	}
	for _, x := range c.table["shipments"] {
		c.use(x["lot"], c.when(x["time"]), 4, c.micro(x["weight_lb"]), x["shipment"])
	}
}

func (c *checked) pourAll() {
	bins := map[string][]row{}
	for _, p := range c.table["pours"] {
		bins[p["bin_lot"]] = append(bins[p["bin_lot"]], p)
	}
	var names []string
	for b := range bins {
		names = append(names, b)
	}
	sort.Strings(names) // a bin that takes a remainder has a later code than the one it came from
	for _, name := range names {
		var b birth
		for _, p := range bins[name] {
			from := c.born[p["lot"]]
			if b.item != "" && b.item != from.item || from.owner != "" {
				c.fault("pour %s: %s of owner %q into a bin of %s", p["pour"], from.item, from.owner, b.item)
			}
			at, w := c.when(p["time"]), c.micro(p["weight_lb"])
			c.use(p["lot"], at, 2, w, p["pour"])
			c.edges[p["lot"]] = append(c.edges[p["lot"]], name)
			b.item, b.weight = from.item, b.weight+w
			if at.After(b.at) {
				b.at = at // later use is checked against the last pour: a bin is not drawn while it is filled
			}
		}
		c.bear(name, b)
	}
}

// faults checks what the reading did not, and gives all.
func (c *checked) faults() []string {
	for lot, legs := range c.legs {
		sort.SliceStable(legs, func(i, j int) bool {
			return legs[i].at.Before(legs[j].at) || legs[i].at.Equal(legs[j].at) && legs[i].rank < legs[j].rank
		})
		var sum int64
		for _, l := range legs {
			if sum += l.w; sum < 0 {
				c.fault("lot %s at %d after %s", lot, sum, l.at)
			}
		}
	}
	c.checkRuns()
	c.checkContributions()
	c.checkShipments()
	c.checkReadings()
	c.checkCycles()
	settled := map[string]bool{}
	deliveries := c.by("deliveries", "lot")
	for _, f := range c.table["final_prices"] {
		key := f["lot"] + f["time"]
		d := deliveries[f["lot"]]
		if settled[key] || d["ownership"] != "company" || !c.when(f["time"]).After(c.when(d["time"])) || c.micro(f["final_price_per_lb"]) <= 0 {
			c.fault("final price %v of %v", f, d)
		}
		settled[key] = true
	}
	return c.bad
}

func (c *checked) checkRuns() {
	in, out := map[string]int64{}, map[string]int64{}
	owners, used := map[string]map[string]bool{}, map[string]bool{}
	for _, i := range c.table["run_inputs"] {
		if used[i["run"]+" "+i["lot"]] {
			c.fault("run %s takes %s twice", i["run"], i["lot"])
		}
		used[i["run"]+" "+i["lot"]] = true
		in[i["run"]] += c.micro(i["weight_lb"])
		if owners[i["run"]] == nil {
			owners[i["run"]] = map[string]bool{}
		}
		owners[i["run"]][c.born[i["lot"]].owner] = true
		if from := i["dumped_from"]; from != "" && c.when(from).Before(c.when(c.runs[i["run"]]["start"])) {
			c.fault("run %s: %s dumped before the run", i["run"], i["lot"])
		}
	}
	priced := map[string]map[bool]bool{}
	for _, o := range c.table["run_outputs"] {
		out[o["run"]] += c.micro(o["weight_lb"])
		if o["role"] == "main" {
			if priced[o["run"]] == nil {
				priced[o["run"]] = map[bool]bool{}
			}
			priced[o["run"]][c.items[o["item"]]["split_off_price_per_lb"] != ""] = true
		}
		if to := o["filled_to"]; to != "" && (c.when(to).After(c.when(c.runs[o["run"]]["end"])) || c.when(to).Before(c.when(o["filled_from"]))) {
			c.fault("run %s: %s filled outside the run", o["run"], o["lot"])
		}
	}
	for id, r := range c.runs {
		if !c.when(r["end"]).After(c.when(r["start"])) || in[id] <= 0 || out[id] <= 0 || out[id] > in[id] || len(owners[id]) != 1 || len(priced[id]) != 1 {
			c.fault("run %s: in %d, out %d, owners %v, main outputs priced %v", id, in[id], out[id], owners[id], priced[id])
		}
	}
}

func (c *checked) checkContributions() {
	given, went := map[string]int64{}, map[string]int64{}
	for _, k := range c.table["contributions"] {
		given[k["run"]+" "+k["output_lot"]] += c.micro(k["weight_lb"])
		went[k["run"]+" "+k["input_lot"]] += c.micro(k["weight_lb"])
	}
	for _, o := range c.table["run_outputs"] {
		if g := given[o["run"]+" "+o["lot"]]; g != 0 && g != c.born[o["lot"]].weight {
			c.fault("contributions to %s: %d of %d", o["lot"], g, c.born[o["lot"]].weight)
		}
	}
	for _, i := range c.table["run_inputs"] {
		if w := went[i["run"]+" "+i["lot"]]; w > c.micro(i["weight_lb"]) {
			c.fault("contributions of %s: %d of %s", i["lot"], w, i["weight_lb"])
		}
		delete(went, i["run"]+" "+i["lot"])
	}
	if len(went) > 0 {
		c.fault("contributions of no input: %v", went)
	}
}

func (c *checked) checkShipments() {
	shipped := c.by("shipments", "shipment")
	for id, x := range shipped {
		owner, role := c.born[x["lot"]].owner, c.parties[x["customer"]]["role"]
		switch {
		case x["channel"] == "return to owner" && (owner == "" || owner != x["customer"]):
			c.fault("shipment %s: lot of %q back to %q", id, owner, x["customer"])
		case x["channel"] != "return to owner" && (owner != "" || role != "customer"):
			c.fault("shipment %s: lot of %q to %q", id, owner, x["customer"])
		case x["carrier"] == "" || x["document"] == "":
			c.fault("shipment %s: no carrier or document", id)
		}
	}
	back := map[string]int64{}
	for _, r := range c.table["returns"] {
		x := shipped[r["shipment"]]
		back[r["shipment"]] += c.micro(r["weight_lb"])
		if x == nil || back[r["shipment"]] > c.micro(x["weight_lb"]) || !c.when(r["time"]).After(c.when(x["time"])) {
			c.fault("return %v of %v", r, x)
		}
		c.bear(r["lot"], birth{item: c.born[x["lot"]].item, at: c.when(r["time"]), weight: c.micro(r["weight_lb"])})
	}
}

func (c *checked) checkReadings() {
	content := map[string]string{}
	for _, r := range c.table["weighings"] {
		key, text := r["scale"]+" "+r["seq"], fmt.Sprint(r)
		if was, twice := content[key]; twice && was != text {
			c.fault("reading %s has two contents", key)
		}
		content[key] = text
		c.when(r["time"])
	}
}

// checkCycles walks lots and runs together: what a run gave must never come back into it.
func (c *checked) checkCycles() {
	state := map[string]int{}
	var walk func(string)
	walk = func(n string) {
		state[n] = 1
		for _, next := range c.edges[n] {
			switch state[next] {
			case 1:
				c.fault("%s is made from itself", next)
			case 0:
				walk(next)
			}
		}
		state[n] = 2
	}
	for n := range c.edges {
		if state[n] == 0 {
			walk(n)
		}
	}
}

// reached is all lots made from a lot.
func (c *checked) reached(lot string) []string {
	var lots []string
	seen := map[string]bool{lot: true}
	for todo := []string{lot}; len(todo) > 0; todo = todo[1:] {
		for _, n := range c.edges[todo[0]] {
			if !seen[n] {
				seen[n] = true
				todo = append(todo, n)
				if !strings.HasPrefix(n, "run ") {
					lots = append(lots, n)
				}
			}
		}
	}
	return lots
}

func (c *checked) mailed(lots []string) bool {
	return slices.ContainsFunc(c.table["shipments"], func(x row) bool { return x["channel"] == "mail order" && slices.Contains(lots, x["lot"]) })
}

func (c *checked) left(lot string) int64 {
	var sum int64
	for _, l := range c.legs[lot] {
		sum += l.w
	}
	return sum
}

// features counts what the demonstration promises.
func (c *checked) features() map[string]int {
	n := map[string]int{"pour": len(c.table["pours"]), "return": len(c.table["returns"]), "contribution": len(c.table["contributions"])}
	for _, what := range []string{"remainder poured on", "output drawn before its run ended", "kernels back to their owner", "rework", "repack",
		"several final prices", "repeated reading", "late reading", "moisture", "damage", "5 lb ticket", "own orchard", "peak", "contract of 14 loads"} {
		n[what] = 0
	}
	for _, p := range c.table["pours"] {
		n["remainder poured on"] += count(strings.HasPrefix(p["lot"], "P-"))
	}
	for _, i := range c.table["run_inputs"] {
		b := c.born[i["lot"]]
		if b.run != "" {
			at := c.when(c.runs[i["run"]]["start"])
			n["output drawn before its run ended"] += count(at.Before(c.when(c.runs[b.run]["end"])))
		}
		finished := c.items[b.item]["kind"] == "finished"
		n["rework"] += count(finished && c.runs[i["run"]]["stage"] == "cook")
		n["repack"] += count(finished && c.runs[i["run"]]["stage"] == "pack")
	}
	peak := 0
	for _, x := range c.table["shipments"] {
		n["kernels back to their owner"] += count(x["channel"] == "return to owner")
		month := c.when(x["time"]).Month()
		peak += count(x["channel"] == "mail order" && (month == time.November || month == time.December))
	}
	n["peak"] = count(peak*2 > len(c.table["shipments"])*7/10)
	finals, seen, last := map[string]int{}, map[string]bool{}, map[string]int64{}
	for _, f := range c.table["final_prices"] {
		finals[f["lot"]]++
		n["several final prices"] += count(finals[f["lot"]] == 2)
	}
	for _, r := range c.table["weighings"] {
		key, seq := r["scale"]+" "+r["seq"], c.micro(r["seq"])
		n["repeated reading"] += count(seen[key])
		n["late reading"] += count(!seen[key] && seq < last[r["scale"]])
		seen[key], last[r["scale"]] = true, max(seq, last[r["scale"]])
	}
	for _, a := range c.table["adjustments"] {
		n[a["reason"]]++
	}
	loads := map[string]int{}
	for _, d := range c.table["deliveries"] {
		net := c.micro(d["gross_lb"]) - c.micro(d["tare_lb"])
		n["5 lb ticket"] += count(net == 5_000_000)
		n["own orchard"] += count(c.parties[d["seller"]]["role"] == "own_orchard")
		if net > 38_000*1_000_000 {
			loads[d["seller"]]++
			n["contract of 14 loads"] += count(loads[d["seller"]] == 14)
		}
	}
	return n
}

func count(yes bool) int {
	if yes {
		return 1
	}
	return 0
}
