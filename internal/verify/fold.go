package verify

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"

	"huskline/internal/snapshot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// Fold recomputes what each database derives from the events that lie in it, its own and those it took of others, and compares row by row: lots,
// balances and holds of inventory, received lots of intake, runs and charges of production. Each database is judged by itself, as of its own moment.
// What a service posted at inventory and could not say yet is left out.
func Fold(dbs []*snapshot.Database) *Report {
	r := &Report{}
	j := &judge{Report: r, memory: &Reader{decoded: map[string]*decoded{}}}
	for _, d := range dbs {
		j.db = d
		f := j.facts()
		switch d.Service {
		case "intake":
			j.foldReceived(f)
		case "inventory":
			b := newBook(f)
			left := j.untold(b)
			j.foldLots(b, left)
			j.foldBalances(b, left)
			j.foldHolds(b)
		case "production":
			j.foldRuns(f)
			j.foldCharges(f)
		}
	}
	r.count("derived rows", j.rows)
	return r
}

// facts folds all events of a database that have taken effect in it, each id once.
func (j *judge) facts() *facts {
	aside := map[string]bool{}
	key := func(r snapshot.Row) string {
		return r.Text("producer") + "/" + r.Text("epoch") + "/" + r.Text("position")
	}
	for _, row := range j.db.Table("quarantine").All() {
		aside[key(row)] = row.Null("release")
	}
	f, seen := newFacts(), map[string]bool{}
	add := func(producer string, row snapshot.Row) {
		e := j.decode(row.Text("payload")).event
		if e == nil || seen[producer+e.GetId()] {
			return
		}
		seen[producer+e.GetId()] = true
		f.add(fact{producer: producer, place: j.db.Service + " " + row.ID(), event: e}, &Report{})
	}
	for _, p := range byPosition(j.db.Table("inbox_events").All()) {
		if !aside[key(p.row)] {
			add(p.row.Text("producer"), p.row)
		}
	}
	for _, p := range byPosition(j.db.Table("events").All()) {
		add(j.db.Service, p.row)
	}
	return f
}

// untold are the lots of purchases whose legs are there and whose event is not yet.
func (j *judge) untold(b *book) map[string]bool {
	told, out := map[string]bool{}, map[string]bool{}
	for _, p := range b.bought {
		told["purchase/"+p.of.GetPurchase()] = true
	}
	for _, leg := range j.db.Table("legs").All() {
		if strings.HasPrefix(leg.Text("fact"), "purchase/") && !told[leg.Text("fact")] {
			out[leg.Text("lot")] = true
		}
	}
	return out
}

func (j *judge) foldLots(b *book, left map[string]bool) {
	rows := map[string]snapshot.Row{}
	for _, row := range j.db.Table("lots").All() {
		rows[row.Text("lot")] = row
	}
	for _, id := range b.order {
		g := b.lots[id]
		if g.item == "" || left[id] {
			continue
		}
		j.rows++
		row, ok := rows[id]
		delete(rows, id)
		if !ok {
			if !g.voided {
				j.Report.differ("fold", "inventory lots(lot="+id+")", "a lot of "+g.item, "no row")
			}
			continue
		}
		j.same(row, "voided", fmt.Sprint(g.voided)[:1])
		if g.voided {
			continue
		}
		j.same(row, "item", g.item)
		j.same(row, "measure", fmt.Sprint(int32(g.measure)))
		j.same(row, "owner", g.owner)
		j.same(row, "made", fmt.Sprint(g.made))
		j.same(row, "born", snapshot.FormatTime(g.born))
	}
	for _, id := range sorted(rows) {
		if !left[id] {
			j.Report.differ("fold", "inventory "+rows[id].ID(), "no lot: no event bears it", rows[id].Text("item"))
		}
	}
}

func (j *judge) same(row snapshot.Row, column, want string) {
	if got := row.Text(column); got != want {
		j.Report.differ("fold", j.db.Service+" "+row.ID()+" "+column, want, got)
	}
}

func (j *judge) foldBalances(b *book, left map[string]bool) {
	piles := map[string]map[pile]int64{}
	for id, g := range b.lots {
		piles[id] = map[pile]int64{}
		for _, l := range g.legs {
			piles[id][pile{l.place, l.owner}] += l.quantity
		}
	}
	for _, row := range j.db.Table("balances").All() {
		id, p := row.Text("lot"), pile{row.Text("place"), row.Text("owner")}
		if left[id] {
			continue
		}
		j.rows++
		j.same(row, "quantity", fmt.Sprint(piles[id][p]))
		delete(piles[id], p)
	}
	for _, id := range sorted(piles) {
		for p, n := range piles[id] {
			if n != 0 && !left[id] {
				j.Report.differ("fold", fmt.Sprintf("inventory balances(lot=%s place=%s owner=%s)", id, p.place, p.owner), n, "no row")
			}
		}
	}
}

func (j *judge) foldHolds(b *book) {
	flags := map[string]snapshot.Row{}
	for _, row := range j.db.Table("hold_flags").All() {
		flags[row.Text("hold")+"\x00"+row.Text("lot")] = row
	}
	rows := map[string]snapshot.Row{}
	for _, row := range j.db.Table("holds").All() {
		rows[row.Text("hold")] = row
	}
	for _, h := range b.holds {
		row, ok := rows[h.id]
		if !ok {
			j.Report.differ("fold", "inventory holds(hold="+h.id+")", "a hold on "+h.root, "no row")
			continue
		}
		j.rows++
		delete(rows, h.id)
		j.same(row, "class", fmt.Sprint(int32(h.class)))
		j.same(row, "root", h.root)
		if row.Null("ended_at") == h.ended {
			j.Report.differ("fold", "inventory "+row.ID()+" ended_at", fmt.Sprintf("ended %t", h.ended), row.Text("ended_at"))
		}
		if h.ended {
			continue
		}
		for lots, excluded := range map[*map[string]bool]string{&h.lots: "f", &h.excluded: "t"} {
			for id := range *lots {
				if flag, ok := flags[h.id+"\x00"+id]; !ok {
					j.Report.differ("fold", fmt.Sprintf("inventory hold_flags(lot=%s hold=%s)", id, h.id), "a flag", "no row")
				} else {
					j.same(flag, "excluded", excluded)
				}
			}
		}
	}
	for _, id := range sorted(rows) {
		j.Report.differ("fold", "inventory "+rows[id].ID(), "no hold: no event places it", rows[id].Text("root"))
	}
}

// foldReceived compares the version that stands of each received lot.
func (j *judge) foldReceived(f *facts) {
	versions := map[string]snapshot.Row{}
	for _, row := range j.db.Table("received_versions").All() {
		versions[row.Text("lot")+"\x00"+row.Text("version")] = row
	}
	rows := map[string]snapshot.Row{}
	for _, row := range j.db.Table("received").All() {
		rows[row.Text("lot")] = row
	}
	for _, id := range sorted(f.received) {
		r := f.received[id]
		row, ok := rows[id]
		if !ok {
			j.Report.differ("fold", "intake received(lot="+id+")", "a received lot", "no row")
			continue
		}
		j.rows++
		delete(rows, id)
		if row.Text("held_by") != "" {
			continue // its correction is under way
		}
		j.same(row, "version", fmt.Sprint(r.version))
		j.same(row, "party", r.of.GetParty())
		j.same(row, "supplier_lot", r.of.GetSupplierLot())
		j.same(row, "effective", snapshot.FormatTime(r.at))
		v, ok := versions[id+"\x00"+fmt.Sprint(r.version)]
		if !ok {
			j.Report.differ("fold", fmt.Sprintf("intake received_versions(lot=%s version=%d)", id, r.version), "a row", "none")
			continue
		}
		j.same(v, "voided", fmt.Sprint(r.voided)[:1])
		kept := &eventv1.LotReceived{}
		if err := proto.Unmarshal(v.Bytes("facts"), kept); err != nil || !proto.Equal(kept, r.of) {
			j.Report.differ("fold", "intake "+v.ID()+" facts", r.of, kept)
		}
	}
	for _, id := range sorted(rows) {
		j.Report.differ("fold", "intake "+rows[id].ID(), "no lot: no event bears it", rows[id].Text("party"))
	}
}

// foldRuns compares the runs that are complete and at rest with what was said of them.
func (j *judge) foldRuns(f *facts) {
	for _, row := range j.db.Table("runs").All() {
		if row.Text("phase") != "complete" {
			continue
		}
		j.rows++
		n := f.runs[row.Text("run")]
		if n == nil || n.completed == nil {
			j.Report.differ("fold", "production "+row.ID()+" phase", "no event says that it ended", row.Text("phase"))
			continue
		}
		j.same(row, "version", fmt.Sprint(n.completed.GetVersion()))
		j.same(row, "input", fmt.Sprint(n.completed.GetInputMicropounds()))
		j.same(row, "output", fmt.Sprint(n.completed.GetOutputMicropounds()))
		j.same(row, "stage", n.opened.GetStage())
		j.same(row, "ended", snapshot.FormatTime(n.completed.GetEnd().AsTime()))
	}
}

func (j *judge) foldCharges(f *facts) {
	rows := map[string]snapshot.Row{}
	for _, row := range j.db.Table("charges").All() {
		rows[row.Text("charge")] = row
	}
	for _, id := range sorted(f.charges) {
		c := f.charges[id]
		row, ok := rows[id]
		if !ok {
			j.Report.differ("fold", "production charges(charge="+id+")", c.GetAmountMicros(), "no row")
			continue
		}
		j.rows++
		delete(rows, id)
		j.same(row, "amount", fmt.Sprint(c.GetAmountMicros()))
		j.same(row, "kind", fmt.Sprint(int32(c.GetKind())))
		j.same(row, "replaces", c.GetReplaces())
	}
	for _, id := range sorted(rows) {
		if rows[id].Text("phase") == "posted" {
			j.Report.differ("fold", "production "+rows[id].ID(), "no charge: no event posts it", rows[id].Text("amount"))
		}
	}
}
