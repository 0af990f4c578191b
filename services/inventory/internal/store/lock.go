package store

import (
	"context"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/seal"
	"huskline/services/inventory/internal/stock"
)

// Lock locks runs, then lots, in key order, and reads what is known of them, in one round trip. Each statement after the locks sees what
// was committed before they were granted. They look into one table each: a plan that joins, made while tables were empty, would read them
// whole when they are not.
func (t *Tx) Lock(ctx context.Context, want stock.Want) (*stock.Known, error) {
	k := &stock.Known{
		Runs: map[lot.RunID]*stock.RunState{}, Lots: map[lot.ID]*stock.Lot{}, Balances: map[stock.Spot]stock.Balance{},
		Units: map[lot.ItemID]lot.Quantity{}, Containers: map[lot.ID][]*stock.Container{}, Fills: map[lot.ID][]stock.Fill{},
		Flags: map[lot.ID][]stock.Flag{}, Dispositions: map[lot.ID][]*stock.Disposition{}, Claims: map[lot.ID]string{},
		Items: map[lot.ItemID]stock.Item{}, Parties: map[lot.PartyID]bool{}, Places: map[lot.PlaceID]stock.Place{},
		Reasons: map[string]lot.Account{}, Accepted: t.again,
	}
	b := &pgx.Batch{}
	t.queueTry(b)
	if len(want.Runs) > 0 {
		lockRuns(b, texts(want.Runs), k)
	}
	if len(want.Lots) > 0 {
		lockLots(b, texts(want.Lots), k)
		readBound(b, texts(want.Lots), k)
	}
	if len(want.Born) > 0 {
		readClaims(b, texts(want.Born), k)
	}
	readNames(b, want, k)
	if err := t.send(ctx, "lock lots and runs", b); err != nil {
		return nil, err
	}
	if err := t.tried(ctx); err != nil {
		return nil, err
	}
	return k, t.readHolds(ctx, k)
}

var addRuns = seal.Insert("runs", "run, version, stage, owner, final",
	`select r, 0, '', '', false from unnest($1::text[]) as u(r) order by r`) + ` on conflict do nothing`

func lockRuns(b *pgx.Batch, ids []string, k *stock.Known) {
	b.Queue(addRuns, ids)
	const lock = `select run, version, stage, owner, final from runs where run = any($1) order by run for update`
	readRuns(b, lock, ids, k)
}

// readRuns reads runs by the statement given, with the lines of their newest version.
func readRuns(b *pgx.Batch, sql string, ids []string, k *stock.Known) {
	b.Queue(sql, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			r := &stock.RunState{}
			if err := rows.Scan(&r.ID, &r.Version, &r.Stage, &r.Owner, &r.Final); err != nil {
				return err
			}
			k.Runs[r.ID] = r
		}
		return rows.Err()
	})
	// Items kept by count are few; which of them a run's lots are is known only later.
	const units = `select item, unit from items where measure = 2 and unit > 0 and kind <> $1`
	b.Queue(units, lot.Packaging).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.ItemID
			var unit lot.Quantity
			if err := rows.Scan(&id, &unit); err != nil {
				return err
			}
			k.Units[id] = unit
		}
		return rows.Err()
	})
	const lines = `select run, version, output, line, lot, item, role, measure, quantity from run_lines where run = any($1) order by run, output, line`
	b.Queue(lines, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var l stock.Line
			if err := rows.Scan(&l.Run, &l.Version, &l.Output, &l.Number, &l.Lot, &l.Item, &l.Role, &l.Measure, &l.Quantity); err != nil {
				return err
			}
			l.Unit = k.Units[l.Item]
			if r := k.Runs[l.Run]; l.Version == r.Version {
				r.Lines = append(r.Lines, l)
			}
		}
		return rows.Err()
	})
}

func lockLots(b *pgx.Batch, ids []string, k *stock.Known) {
	const lock = `select lot, item, measure, owner, ownership, source, maker, party, made, born, version, voided, frozen
		from lots where lot = any($1) order by lot for update`
	b.Queue(lock, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			l, err := scanLot(rows)
			if err != nil {
				return err
			}
			k.Lots[l.ID] = l
		}
		return rows.Err()
	})
	const containers = `select lot, container, place, quantity, filled_from, filled_to from containers where lot = any($1) order by lot, container, place`
	b.Queue(containers, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			c, err := scanContainer(rows)
			if err != nil {
				return err
			}
			k.Containers[c.Lot] = append(k.Containers[c.Lot], c)
		}
		return rows.Err()
	})
	const balances = `select lot, place, owner, quantity, latest, latest_order, latest_name from balances where lot = any($1)`
	b.Queue(balances, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var s stock.Spot
			var bal stock.Balance
			if err := rows.Scan(&s.Lot, &s.Place, &s.Owner, &bal.Quantity, &bal.Latest.At, &bal.Latest.Order, &bal.Latest.Name); err != nil {
				return err
			}
			k.Balances[s] = bal
		}
		return rows.Err()
	})
}

func scanContainer(row pgx.Row) (*stock.Container, error) {
	c := &stock.Container{}
	var from *time.Time
	err := row.Scan(&c.Lot, &c.Code, &c.Place, &c.Quantity, &from, &c.FilledTo)
	c.FilledFrom = orZero(from)
	return c, err
}

func readClaims(b *pgx.Batch, ids []string, k *stock.Known) {
	const claims = `select lot, claimant from claims where lot = any($1)`
	b.Queue(claims, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.ID
			var by string
			if err := rows.Scan(&id, &by); err != nil {
				return err
			}
			k.Claims[id] = by
		}
		return rows.Err()
	})
}

func scanLot(row pgx.Row) (*stock.Lot, error) {
	l := &stock.Lot{}
	var frozen *time.Time
	err := row.Scan(&l.ID, &l.Item, &l.Measure, &l.Owner, &l.Ownership, &l.Source, &l.Maker, &l.Party, &l.Made, &l.Born, &l.Version, &l.Voided, &frozen)
	if frozen != nil {
		l.Frozen = *frozen
	}
	return l, err
}

// readBound reads which holds are on lots, and whether any hold is still spreading.
func readBound(b *pgx.Batch, ids []string, k *stock.Known) {
	b.Queue(`select exists (select from hold_frontier)`).QueryRow(func(row pgx.Row) error { return row.Scan(&k.Spreading) })
	b.Queue(`select lot, hold from hold_flags where lot = any($1)`, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.ID
			var hold string
			if err := rows.Scan(&id, &hold); err != nil {
				return err
			}
			k.Flags[id] = append(k.Flags[id], stock.Flag{Hold: hold})
		}
		return rows.Err()
	})
}

// readHolds reads, for lots that some hold was ever put on, which of these stand and what quality decided. Most lots have none, and most
// commands end before this.
func (t *Tx) readHolds(ctx context.Context, k *stock.Known) error {
	if len(k.Flags) == 0 {
		return nil
	}
	ids := texts(slices.Sorted(maps.Keys(k.Flags)))
	clear(k.Flags)
	b := &pgx.Batch{}
	b.Queue(flagsOf, ids).Query(func(rows pgx.Rows) error { return scanFlags(rows, k.Flags) })
	const dispositions = `select disposition, hold, lot, decision, quantity - spent from dispositions
		where lot = any($1) and spent < quantity order by recorded, disposition`
	b.Queue(dispositions, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			d := &stock.Disposition{}
			if err := rows.Scan(&d.ID, &d.Hold, &d.Lot, &d.Decision, &d.Left); err != nil {
				return err
			}
			k.Dispositions[d.Lot] = append(k.Dispositions[d.Lot], d)
		}
		return rows.Err()
	})
	const fills = `select lot, effective, sum(quantity)::bigint from legs
		where lot = any($1) and key_order = $2 and container = '' group by lot, effective having sum(quantity) > 0`
	b.Queue(fills, ids, stock.FillKey(time.Time{}, stock.Run, "").Order).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.ID
			var f stock.Fill
			if err := rows.Scan(&id, &f.At, &f.Quantity); err != nil {
				return err
			}
			k.Fills[id] = append(k.Fills[id], f)
		}
		return rows.Err()
	})
	return t.send(ctx, "read holds", b)
}

const flagsOf = `select f.lot, f.hold, h.class, h.root, h.reason, h.recall, f.excluded, f.inherited, h.containers, h.fill_from, h.fill_to, h.since
	from hold_flags f join holds h on h.hold = f.hold
	where f.lot = any($1) and h.ended_at is null order by f.lot, f.hold`

func scanFlags(rows pgx.Rows, into map[lot.ID][]stock.Flag) error {
	for rows.Next() {
		var id lot.ID
		var f stock.Flag
		var containers []string
		var from, to, since *time.Time
		err := rows.Scan(&id, &f.Hold, &f.Class, &f.Root, &f.Reason, &f.Recall, &f.Excluded, &f.Inherited, &containers, &from, &to, &since)
		if err != nil {
			return err
		}
		if f.Root == id && (len(containers) > 0 || from != nil || to != nil) {
			f.Part, f.Containers, f.FillFrom, f.FillTo, f.Since = true, containers, orZero(from), orZero(to), orZero(since)
		}
		into[id] = append(into[id], f)
	}
	return rows.Err()
}

func readNames(b *pgx.Batch, want stock.Want, k *stock.Known) {
	if len(want.Items) > 0 {
		const items = `select item, kind, measure from items where item = any($1)`
		b.Queue(items, texts(want.Items)).Query(func(rows pgx.Rows) error {
			for rows.Next() {
				var i stock.Item
				if err := rows.Scan(&i.ID, &i.Kind, &i.Measure); err != nil {
					return err
				}
				k.Items[i.ID] = i
			}
			return rows.Err()
		})
	}
	if len(want.Parties) > 0 {
		const parties = `select party from parties where party = any($1)`
		b.Queue(parties, texts(want.Parties)).Query(func(rows pgx.Rows) error {
			for rows.Next() {
				var id lot.PartyID
				if err := rows.Scan(&id); err != nil {
					return err
				}
				k.Parties[id] = true
			}
			return rows.Err()
		})
	}
	if len(want.Reasons) > 0 {
		const reasons = `select reason, account, writes_off, unaccounted from reasons where reason = any($1)`
		b.Queue(reasons, want.Reasons).Query(func(rows pgx.Rows) error {
			for rows.Next() {
				var reason string
				var a lot.Account
				if err := rows.Scan(&reason, &a.Name, &a.WritesOff, &a.Unexplains); err != nil {
					return err
				}
				k.Reasons[reason] = a
			}
			return rows.Err()
		})
	}
	readPlaces(b, want, k)
}

// readPlaces locks the places that are bins, so that two lots cannot come into one at once.
func readPlaces(b *pgx.Batch, want stock.Want, k *stock.Known) {
	if len(want.Places) == 0 {
		return
	}
	b.Queue(`select place from places where place = any($1) and bin order by place for update`, texts(want.Places))
	const places = `select p.place, p.bin,
			array(select b.lot::text from balances b where p.bin and b.place = p.place and b.quantity > 0 order by b.lot)
		from places p where p.place = any($1)`
	b.Queue(places, texts(want.Places)).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.PlaceID
			var p stock.Place
			var lots []string
			if err := rows.Scan(&id, &p.Bin, &lots); err != nil {
				return err
			}
			for _, l := range lots {
				p.Lots = append(p.Lots, lot.ID(l))
			}
			k.Places[id] = p
		}
		return rows.Err()
	})
}
