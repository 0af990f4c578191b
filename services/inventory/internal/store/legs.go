package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// Timeline gives the legs of spots from a time on, added up by key.
func (t *Tx) Timeline(ctx context.Context, since []stock.Since) ([]stock.Entry, error) {
	var lots []string
	from := map[stock.Spot]time.Time{}
	earliest := since[0].At
	for _, s := range since {
		lots, from[s.Spot] = append(lots, string(s.Spot.Lot)), s.At
		if s.At.Before(earliest) {
			earliest = s.At
		}
	}
	const read = `select lot, place, owner, effective, key_order, key_name, sum(quantity)::bigint
		from legs where lot = any($1) and effective >= $2
		group by lot, place, owner, effective, key_order, key_name`
	rows, err := t.tx.Query(ctx, read, lots, earliest)
	if err != nil {
		return nil, fmt.Errorf("read the timeline of lots: %w", err)
	}
	defer rows.Close()
	var out []stock.Entry
	for rows.Next() {
		var e stock.Entry
		if err := rows.Scan(&e.Spot.Lot, &e.Spot.Place, &e.Spot.Owner, &e.Key.At, &e.Key.Order, &e.Key.Name, &e.Quantity); err != nil {
			return nil, err
		}
		if at, asked := from[e.Spot]; asked && !e.Key.At.Before(at) {
			out = append(out, e)
		}
	}
	return out, rows.Err()
}

// FactLegs gives the legs of facts, added up by spot or account and key, in key order.
func (t *Tx) FactLegs(ctx context.Context, facts []string) ([]stock.Leg, error) {
	if err := t.takeTry(ctx); err != nil {
		return nil, err
	}
	const read = `select fact, coalesce(lot, ''), place, owner, account, container, measure, sum(quantity)::bigint, effective, key_order, key_name
		from legs where fact = any($1)
		group by fact, lot, place, owner, account, container, measure, effective, key_order, key_name
		order by effective, key_order, key_name, lot, place, owner, account, container`
	rows, err := t.tx.Query(ctx, read, facts)
	if err != nil {
		return nil, fmt.Errorf("read the legs of facts: %w", err)
	}
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (stock.Leg, error) {
		var l stock.Leg
		err := row.Scan(&l.Fact, &l.Spot.Lot, &l.Spot.Place, &l.Spot.Owner, &l.Account, &l.Container, &l.Measure, &l.Quantity, &l.Key.At, &l.Key.Order,
			&l.Key.Name)
		return l, err
	})
}

// Flags gives the holds on lots without locking them.
func (t *Tx) Flags(ctx context.Context, lots []lot.ID) (map[lot.ID][]stock.Flag, error) {
	out := map[lot.ID][]stock.Flag{}
	rows, err := t.tx.Query(ctx, flagsOf, texts(lots))
	if err != nil {
		return nil, fmt.Errorf("read holds on lots: %w", err)
	}
	defer rows.Close()
	return out, scanFlags(rows, out)
}

// maxWalk bounds a walk through what came from what: more lots than a season has.
const maxWalk = 5_000_000

// walk goes level by level from nodes until visit says to stop or nothing new comes.
func walk(from []string, visit func(level []string) (next []string, stop bool, err error)) error {
	seen := map[string]bool{}
	for level := from; len(level) > 0; {
		next, stop, err := visit(level)
		if err != nil || stop {
			return err
		}
		level = level[:0:0]
		for _, n := range next {
			if !seen[n] {
				seen[n] = true
				level = append(level, n)
			}
		}
		if len(seen) > maxWalk {
			return fault.Precondition("trace_too_large", "a walk through what came from what met more than %d lots and runs", maxWalk)
		}
	}
	return nil
}

func (t *Tx) names(ctx context.Context, sql string, args ...any) ([]string, error) {
	rows, err := t.tx.Query(ctx, sql, args...)
	if err != nil {
		return nil, fmt.Errorf("walk what came from what: %w", err)
	}
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

// FeedsItself tells whether a node is among what it is made from. The gate is held until the transaction ends: two postings that close a
// loop together must see each other.
func (t *Tx) FeedsItself(ctx context.Context, node string) (bool, error) {
	const parents = `select distinct parent::text from edges where child = any($1)`
	if _, err := t.tx.Exec(ctx, `select from loop_gate for update`); err != nil {
		return false, fmt.Errorf("pass the gate: %w", err)
	}
	found := false
	err := walk([]string{node}, func(level []string) ([]string, bool, error) {
		next, err := t.names(ctx, parents, level)
		for _, n := range next {
			found = found || n == node
		}
		return next, found, err
	})
	return found, err
}

// parentsOf are the lots that lots are made from, directly. Through a run these are all its inputs, or those of its contribution table
// where that names the lot.
const parentsOf = `select parent::text from edges where child = any($1) and left(parent, 1) <> ' '
	union
	select i.parent::text from edges o join edges i on i.child = o.parent
	where o.child = any($1) and left(o.parent, 1) = ' ' and (
		not exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child)
		or exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child and c.input = i.parent))`

// HeldAbove finds an ancestor of lots, or one of them, on which a spreading hold lies. It does not look past a lot that quality took out of
// the hold; past one that was excluded only with what it is made from it does, and past one of the lots themselves that a hold on a part of it lies
// on, since what is drawn is not of that part.
func (t *Tx) HeldAbove(ctx context.Context, lots []lot.ID) (stock.Marked, error) {
	const spreading = `select distinct h.hold::text from holds h join hold_frontier f on f.hold = h.hold where h.ended_at is null order by 1`
	holds, err := t.names(ctx, spreading)
	if err != nil {
		return stock.Marked{}, err
	}
	var found stock.Marked
	for _, hold := range holds {
		first := true
		err := walk(texts(lots), func(level []string) ([]string, bool, error) {
			on, free, err := t.lies(ctx, hold, level, first)
			first = false
			if err != nil || on != "" {
				found = stock.Marked{Hold: hold, Lot: lot.ID(on)}
				return nil, true, err
			}
			next, err := t.names(ctx, parentsOf, free)
			return next, false, err
		})
		if err != nil {
			return stock.Marked{}, err
		}
		if found.Lot != "" {
			return found, nil
		}
	}
	return stock.Marked{}, nil
}

// lies finds a lot that a hold lies on, and the lots that it was not lifted from.
func (t *Tx) lies(ctx context.Context, hold string, lots []string, drawn bool) (on string, free []string, err error) {
	const read = `select l, f.excluded and not f.inherited, coalesce(f.inherited, false) or $3 and h.root = l
			and (cardinality(h.containers) > 0 or h.fill_from is not null or h.fill_to is not null)
		from unnest($2::text[]) as u(l) left join hold_flags f on f.lot = u.l and f.hold = $1 left join holds h on h.hold = $1`
	rows, err := t.tx.Query(ctx, read, hold, lots, drawn)
	if err != nil {
		return "", nil, fmt.Errorf("look for hold %s: %w", hold, err)
	}
	defer rows.Close()
	for rows.Next() {
		var id string
		var excluded *bool
		var past *bool
		if err := rows.Scan(&id, &excluded, &past); err != nil {
			return "", nil, err
		}
		switch {
		case excluded == nil, past != nil && *past:
			free = append(free, id)
		case !*excluded:
			on = id
		}
	}
	return on, free, rows.Err()
}

// Children are the lots made from lots, directly.
func (t *Tx) Children(ctx context.Context, lots []lot.ID) ([]lot.ID, error) {
	const children = `select child::text from edges where parent = any($1) and left(child, 1) <> ' '
		union
		select o.child::text from edges i join edges o on o.parent = i.child
		where i.parent = any($1) and left(i.child, 1) = ' ' and (
			not exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child)
			or exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child and c.input = i.parent))
		order by 1`
	names, err := t.names(ctx, children, texts(lots))
	out := make([]lot.ID, len(names))
	for i, n := range names {
		out[i] = lot.ID(n)
	}
	return out, err
}

// Parentage tells what lots are made from, directly, as far as a hold was put on that, or lifted. A hold on a part of a lot lies on what was
// drawn of it since that part came to be.
func (t *Tx) Parentage(ctx context.Context, id string, lots []lot.ID) ([]hold.Parentage, error) {
	const read = `with of (lot, parent, fact) as (
			select child, parent, fact from edges where child = any($2) and left(parent, 1) <> ' '
			union
			select o.child, i.parent, i.fact from edges o join edges i on i.child = o.parent
			where o.child = any($2) and left(o.parent, 1) = ' ' and (
				not exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child)
				or exists (select from contributions c where c.run = substr(o.parent, 2) and c.output = o.child and c.input = i.parent)))
		select of.lot, of.parent, bool_or(not f.excluded and (h.root <> of.parent or h.since is null or exists (
				select from legs l where l.lot = of.parent and l.fact = of.fact and l.quantity < 0 and l.effective >= h.since))), bool_or(f.excluded)
		from of join hold_flags f on f.lot = of.parent and f.hold = $1 join holds h on h.hold = f.hold
		group by of.lot, of.parent order by of.lot, of.parent`
	rows, err := t.tx.Query(ctx, read, id, texts(lots))
	if err != nil {
		return nil, fmt.Errorf("read what lots are made from: %w", err)
	}
	return pgx.CollectRows(rows, pgx.RowToStructByPos[hold.Parentage])
}

// LockRunsBelow locks the runs that lots went into, in key order.
func (t *Tx) LockRunsBelow(ctx context.Context, lots []lot.ID) error {
	const lock = `select run from runs where run in
		(select substr(child, 2) from edges where parent = any($1) and left(child, 1) = ' ') order by run for update`
	if _, err := t.tx.Exec(ctx, lock, texts(lots)); err != nil {
		return fmt.Errorf("lock runs: %w", err)
	}
	return nil
}
