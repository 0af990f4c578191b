package store

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/failpoint"
	"huskline/internal/lot"
	"huskline/internal/seal"
	"huskline/services/inventory/internal/stock"
)

var (
	addFacts  = seal.Insert("facts", "fact, movement, recorded", `select f, $2::text, $3::timestamptz from unnest($1::text[]) as u(f)`)
	addClaims = seal.Insert("claims", "lot, claimant, recorded",
		`select l, c, $3::timestamptz from unnest($1::text[], $2::text[]) as u(l, c) order by l`)
)

// Write writes a change in one round trip. Names that are in use already give a conflict.
func (t *Tx) Write(ctx context.Context, c *stock.Change) error {
	b := &t.early
	if len(c.Facts) > 0 {
		b.Queue(addFacts, c.Facts, c.Movement, t.at)
	}
	if len(c.Claims) > 0 {
		lots, claimants := columns(c.Claims)
		b.Queue(addClaims, lots, claimants, t.at)
	}
	writeLots(b, c.Lots)
	t.writeLegs(b, c.Legs)
	writeBalances(b, c.Balances)
	writeContainers(b, c.Containers)
	writeEdges(b, c)
	writeRuns(b, c)
	writeHolds(b, c)
	writeEmptied(b, c.Emptied, t.at)
	err := t.send(ctx, "write movement "+c.Movement, b)
	t.early = pgx.Batch{}
	if err == nil {
		failpoint.Hit("stock-after-legs")
	}
	return err
}

var changeLot = `update lots set item = $2, measure = $3, owner = $4, ownership = $5, party = $6, made = $7, born = $8, version = $9,
	voided = $10, frozen = $11, seal = ` + seal.Of(`lot, $2::text, $3::smallint, $4::text, $5::smallint, source, maker, $6::text, $7::bigint, $8::timestamptz,
	$9::bigint, $10::boolean, $11::timestamptz`) + ` where lot = $1`

func writeLots(b *pgx.Batch, lots []*stock.Lot) {
	var births []*stock.Lot
	for _, l := range lots {
		if l.IsNew() {
			births = append(births, l)
			continue
		}
		b.Queue(changeLot, l.ID, l.Item, l.Measure, l.Owner, l.Ownership, l.Party, l.Made, l.Born, l.Version, l.Voided, orNull(l.Frozen))
	}
	writeBirths(b, births)
}

var addLots = seal.Insert("lots", "lot, item, measure, owner, ownership, source, maker, party, made, born, version, voided, frozen",
	`select * from unnest($1::text[], $2::text[], $3::smallint[], $4::text[], $5::smallint[], $6::text[], $7::text[], $8::text[], $9::bigint[],
		$10::timestamptz[], $11::bigint[], $12::boolean[], $13::timestamptz[])`)

func writeBirths(b *pgx.Batch, lots []*stock.Lot) {
	if len(lots) == 0 {
		return
	}
	var ids, items, owners, sources, makers, parties []string
	var measures, ownerships []int16
	var made, versions []int64
	var born []time.Time
	var frozen []*time.Time
	var voided []bool
	for _, l := range lots {
		ids, items, owners = append(ids, string(l.ID)), append(items, string(l.Item)), append(owners, string(l.Owner))
		sources, makers, parties = append(sources, string(l.Source)), append(makers, l.Maker), append(parties, string(l.Party))
		measures, ownerships = append(measures, int16(l.Measure)), append(ownerships, int16(l.Ownership))
		made, versions, born = append(made, int64(l.Made)), append(versions, l.Version), append(born, l.Born)
		frozen, voided = append(frozen, orNull(l.Frozen)), append(voided, l.Voided)
	}
	b.Queue(addLots, ids, items, measures, owners, ownerships, sources, makers, parties, made, born, versions, voided, frozen)
}

// legColumns are the columns of legs, for one statement.
type legColumns struct {
	fact, place, owner, account, container, name []string
	lot                                          []*string
	measure, order                               []int16
	quantity                                     []int64
	effective                                    []time.Time
}

var addLegs = seal.Insert("legs",
	"movement, number, fact, lot, place, owner, account, measure, quantity, effective, key_order, key_name, recorded, container",
	`select $1::text, n, f, l, p, o, a, m, q, e, r, k, $2::timestamptz, c
	from unnest($3::text[], $4::text[], $5::text[], $6::text[], $7::text[], $8::smallint[], $9::bigint[], $10::timestamptz[], $11::smallint[], $12::text[],
		$13::text[]) with ordinality as u(f, l, p, o, a, m, q, e, r, k, c, n)`)

func (t *Tx) writeLegs(b *pgx.Batch, legs []stock.Leg) {
	if len(legs) == 0 {
		return
	}
	var c legColumns
	for _, l := range legs {
		var id *string
		if l.Spot.Lot != "" {
			text := string(l.Spot.Lot)
			id = &text
		}
		c.fact, c.lot, c.place = append(c.fact, l.Fact), append(c.lot, id), append(c.place, string(l.Spot.Place))
		c.owner, c.account, c.container = append(c.owner, string(l.Spot.Owner)), append(c.account, l.Account), append(c.container, l.Container)
		c.measure, c.quantity = append(c.measure, int16(l.Measure)), append(c.quantity, int64(l.Quantity))
		c.effective, c.order, c.name = append(c.effective, l.Key.At), append(c.order, l.Key.Order), append(c.name, l.Key.Name)
	}
	b.Queue(addLegs, legs[0].Movement, t.at, c.fact, c.lot, c.place, c.owner, c.account, c.measure, c.quantity, c.effective, c.order, c.name, c.container)
}

func writeBalances(b *pgx.Batch, balances map[stock.Spot]stock.Balance) {
	if len(balances) == 0 {
		return
	}
	var lots, places, owners, names []string
	var quantities []int64
	var latest []time.Time
	var orders []int16
	for _, s := range slices.SortedFunc(maps.Keys(balances), stock.Spot.Compare) {
		bal := balances[s]
		lots, places, owners = append(lots, string(s.Lot)), append(places, string(s.Place)), append(owners, string(s.Owner))
		quantities, latest = append(quantities, int64(bal.Quantity)), append(latest, bal.Latest.At)
		orders, names = append(orders, bal.Latest.Order), append(names, bal.Latest.Name)
	}
	const upsert = `insert into balances (lot, place, owner, quantity, latest, latest_order, latest_name)
		select l, p, o, q, t, r, k from unnest($1::text[], $2::text[], $3::text[], $4::bigint[], $5::timestamptz[], $6::smallint[], $7::text[]) as u(l, p, o, q, t, r, k)
		on conflict (lot, place, owner) do update set quantity = excluded.quantity, latest = excluded.latest,
			latest_order = excluded.latest_order, latest_name = excluded.latest_name`
	b.Queue(upsert, lots, places, owners, quantities, latest, orders, names)
}

func writeContainers(b *pgx.Batch, containers []*stock.Container) {
	const upsert = `insert into containers (lot, container, place, quantity, filled_from, filled_to) values ($1, $2, $3, $4, $5, $6)
		on conflict (lot, container, place) do update set quantity = excluded.quantity, filled_from = excluded.filled_from, filled_to = excluded.filled_to`
	for _, c := range containers {
		b.Queue(upsert, c.Lot, c.Code, c.Place, c.Quantity, orNull(c.FilledFrom), c.FilledTo)
	}
}

var addEdges = seal.Insert("edges", "parent, child, fact", `select * from unnest($1::text[], $2::text[], $3::text[])`) + ` on conflict do nothing`

func writeEdges(b *pgx.Batch, c *stock.Change) {
	if len(c.Cut) > 0 {
		b.Queue(`delete from edges where fact = any($1)`, c.Cut)
	}
	if len(c.Edges) == 0 {
		return
	}
	var parents, children, facts []string
	for _, e := range c.Edges {
		parents, children, facts = append(parents, e.Parent), append(children, e.Child), append(facts, e.Fact)
	}
	b.Queue(addEdges, parents, children, facts)
}

var changeRun = `update runs set version = $2, stage = $3, owner = $4, final = $5, seal = ` +
	seal.Of("run, $2::bigint, $3::text, $4::text, $5::boolean") + ` where run = $1`

var addRunLines = seal.Insert("run_lines", "run, version, output, line, lot, role, measure, quantity, item",
	`select * from unnest($1::text[], $2::bigint[], $3::boolean[], $4::bigint[], $5::text[], $6::smallint[], $7::smallint[], $8::bigint[], $9::text[])`)

func writeRuns(b *pgx.Batch, c *stock.Change) {
	for _, r := range c.Runs {
		b.Queue(changeRun, r.ID, r.Version, r.Stage, r.Owner, r.Final)
	}
	if len(c.Lines) > 0 {
		var runs, lots, items []string
		var versions, numbers, quantities []int64
		var outputs []bool
		var roles, measures []int16
		for _, l := range c.Lines {
			runs, versions, outputs = append(runs, string(l.Run)), append(versions, l.Version), append(outputs, l.Output)
			numbers, lots, roles = append(numbers, l.Number), append(lots, string(l.Lot)), append(roles, int16(l.Role))
			items = append(items, string(l.Item))
			measures, quantities = append(measures, int16(l.Measure)), append(quantities, int64(l.Quantity))
		}
		b.Queue(addRunLines, runs, versions, outputs, numbers, lots, roles, measures, quantities, items)
	}
	for _, run := range slices.Sorted(maps.Keys(c.Contributions)) {
		writeContributions(b, run, c.Contributions[run])
	}
}

func writeContributions(b *pgx.Batch, run lot.RunID, table []lot.Contribution) {
	b.Queue(`delete from contributions where run = $1`, run)
	if len(table) == 0 {
		return
	}
	var inputs, outputs []string
	var quantities []int64
	for _, c := range table {
		inputs, outputs, quantities = append(inputs, string(c.Input)), append(outputs, string(c.Output)), append(quantities, int64(c.Quantity))
	}
	const insert = `insert into contributions (run, input, output, quantity)
		select $1, i, o, q from unnest($2::text[], $3::text[], $4::bigint[]) as u(i, o, q)`
	b.Queue(insert, run, inputs, outputs, quantities)
}

func writeHolds(b *pgx.Batch, c *stock.Change) {
	for _, m := range c.Flags {
		b.Queue(`insert into hold_flags (hold, lot) values ($1, $2)
			on conflict (lot, hold) do update set excluded = false, inherited = false, exclude_reason = '' where hold_flags.inherited`, m.Hold, m.Lot)
	}
	for _, s := range c.Spared {
		b.Queue(`insert into hold_flags (hold, lot, excluded, inherited, exclude_reason) values ($1, $2, true, true, $3) on conflict do nothing`,
			s.Hold, s.Lot, s.Reason)
	}
	for _, m := range c.Spread {
		b.Queue(`insert into hold_frontier (hold, lot) select hold, $2 from holds where hold = $1 and ended_at is null on conflict do nothing`, m.Hold, m.Lot)
	}
	for _, s := range c.Spent {
		b.Queue(`update dispositions set spent = spent + $2 where disposition = $1`, s.ID, s.Quantity)
	}
}
