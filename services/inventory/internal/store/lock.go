package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/stock"
)

// Lock locks runs, then lots, in key order, and reads what is known of them, in one round trip. Each statement after the locks sees what
// was committed before they were granted.
func (t *Tx) Lock(ctx context.Context, want stock.Want) (*stock.Known, error) {
	k := &stock.Known{
		Runs: map[lot.RunID]*stock.RunState{}, Lots: map[lot.ID]*stock.Lot{}, Balances: map[stock.Spot]stock.Balance{},
		Flags: map[lot.ID][]stock.Flag{}, Dispositions: map[lot.ID][]*stock.Disposition{}, Claims: map[lot.ID]string{},
		Items: map[lot.ItemID]stock.Item{}, Parties: map[lot.PartyID]bool{}, Places: map[lot.PlaceID]stock.Place{},
		Reasons: map[string]lot.Account{},
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
	readNames(b, want, k)
	if err := t.send(ctx, "lock lots and runs", b); err != nil {
		return nil, err
	}
	if err := t.tried(ctx); err != nil {
		return nil, err
	}
	return k, t.readDispositions(ctx, k)
}

func lockRuns(b *pgx.Batch, ids []string, k *stock.Known) {
	const bear = `insert into runs (run, version, stage, owner, final)
		select r, 0, '', '', false from unnest($1::text[]) as u(r) order by r on conflict do nothing`
	b.Queue(bear, ids)
	const lock = `select run, version, stage, owner, final from runs where run = any($1) order by run for update`
	b.Queue(lock, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			r := &stock.RunState{}
			if err := rows.Scan(&r.ID, &r.Version, &r.Stage, &r.Owner, &r.Final); err != nil {
				return err
			}
			k.Runs[r.ID] = r
		}
		return rows.Err()
	})
	const lines = `select l.run, l.version, l.output, l.line, l.lot, l.role, l.measure, l.quantity
		from run_lines l join runs r on r.run = l.run and r.version = l.version
		where l.run = any($1) order by l.run, l.output, l.line`
	b.Queue(lines, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var l stock.Line
			if err := rows.Scan(&l.Run, &l.Version, &l.Output, &l.Number, &l.Lot, &l.Role, &l.Measure, &l.Quantity); err != nil {
				return err
			}
			k.Runs[l.Run].Lines = append(k.Runs[l.Run].Lines, l)
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
	// Every lot has a claim, a claim may have no lot yet, and a lot has balances where something lies or lay.
	const balances = `select c.lot, c.claimant, b.place, b.owner, b.quantity, b.latest, b.latest_order, b.latest_name
		from claims c left join balances b on b.lot = c.lot where c.lot = any($1)`
	b.Queue(balances, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var id lot.ID
			var by string
			var place, owner, name *string
			var quantity *int64
			var latest *time.Time
			var order *int16
			if err := rows.Scan(&id, &by, &place, &owner, &quantity, &latest, &order, &name); err != nil {
				return err
			}
			k.Claims[id] = by
			if place != nil {
				k.Balances[stock.Spot{Lot: id, Place: lot.PlaceID(*place), Owner: lot.PartyID(*owner)}] = stock.Balance{
					Quantity: lot.Quantity(*quantity), Latest: stock.Key{At: *latest, Order: *order, Name: *name},
				}
			}
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

// readBound reads the holds on lots, and whether any hold is still spreading: then a row without a lot comes first.
func readBound(b *pgx.Batch, ids []string, k *stock.Known) {
	const bound = `(select ''::text, '', 0::smallint, '', '', false, false from hold_frontier f join holds h on h.hold = f.hold
			where h.ended_at is null limit 1)
		union all ` + flagsOf
	b.Queue(bound, ids).Query(func(rows pgx.Rows) error {
		if err := scanFlags(rows, k.Flags); err != nil {
			return err
		}
		k.Spreading = len(k.Flags[""]) > 0
		delete(k.Flags, "")
		return nil
	})
}

// readDispositions reads what quality decided about held lots; without a hold there is nothing to decide.
func (t *Tx) readDispositions(ctx context.Context, k *stock.Known) error {
	if len(k.Flags) == 0 {
		return nil
	}
	const dispositions = `select disposition, hold, lot, decision, quantity - spent from dispositions
		where lot = any($1) and spent < quantity order by recorded, disposition`
	rows, err := t.tx.Query(ctx, dispositions, texts(slices.Sorted(maps.Keys(k.Flags))))
	if err != nil {
		return fmt.Errorf("read dispositions: %w", err)
	}
	defer rows.Close()
	for rows.Next() {
		d := &stock.Disposition{}
		if err := rows.Scan(&d.ID, &d.Hold, &d.Lot, &d.Decision, &d.Left); err != nil {
			return err
		}
		k.Dispositions[d.Lot] = append(k.Dispositions[d.Lot], d)
	}
	return rows.Err()
}

const flagsOf = `select f.lot, f.hold, h.class, h.root, h.reason, h.recall, f.excluded
	from hold_flags f join holds h on h.hold = f.hold
	where f.lot = any($1) and h.ended_at is null order by 1, 2`

func scanFlags(rows pgx.Rows, into map[lot.ID][]stock.Flag) error {
	for rows.Next() {
		var id lot.ID
		var f stock.Flag
		if err := rows.Scan(&id, &f.Hold, &f.Class, &f.Root, &f.Reason, &f.Recall, &f.Excluded); err != nil {
			return err
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
