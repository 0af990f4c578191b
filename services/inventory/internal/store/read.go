package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/postgres"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// Reader answers reads that change nothing, each at one moment.
type Reader struct{ db *postgres.DB }

// NewReader reads from a database.
func NewReader(db *postgres.DB) *Reader { return &Reader{db} }

// Places lists places by code after a given one.
func (r *Reader) Places(ctx context.Context, after string, limit int) (out []stock.NamedPlace, err error) {
	const read = `select place, name, bin, over_book from places where place > $1 order by place limit $2`
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, read, after, limit)
		if err != nil {
			return err
		}
		out, err = pgx.CollectRows(rows, pgx.RowToStructByPos[stock.NamedPlace])
		return err
	})
	return out, err
}

// Lot gives one lot; fault lot_unknown where there is none.
func (r *Reader) Lot(ctx context.Context, id lot.ID) (*stock.State, error) {
	const read = `select lot, item, measure, owner, ownership, source, maker, party, made, born, version, voided, frozen from lots where lot = $1`
	states, err := r.states(ctx, read, id)
	if err == nil && len(states) == 0 {
		return nil, fault.NotFound("lot_unknown", "lot %s: there is none of this code", id)
	}
	if err != nil {
		return nil, err
	}
	return states[0], nil
}

// Lots lists lots by code after a given one, of one item or of all.
func (r *Reader) Lots(ctx context.Context, item lot.ItemID, onHandOnly bool, after string, limit int) ([]*stock.State, error) {
	const read = `select lot, item, measure, owner, ownership, source, maker, party, made, born, version, voided, frozen from lots l
		where lot > $1 and ($2 = '' or item = $2)
			and (not $3 or exists (select from balances b where b.lot = l.lot and b.quantity > 0))
		order by lot limit $4`
	return r.states(ctx, read, after, item, onHandOnly, limit)
}

// states reads lots and then, at the same moment, what lies of them and what holds are on them.
func (r *Reader) states(ctx context.Context, sql string, args ...any) (out []*stock.State, err error) {
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, sql, args...)
		if err != nil {
			return fmt.Errorf("read lots: %w", err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*stock.State, error) {
			l, err := scanLot(row)
			return &stock.State{Lot: *l}, err
		})
		if err != nil {
			return fmt.Errorf("read lots: %w", err)
		}
		return fill(ctx, tx, out)
	})
	return out, err
}

func fill(ctx context.Context, tx pgx.Tx, states []*stock.State) error {
	of, ids := map[lot.ID]*stock.State{}, []string{}
	for _, s := range states {
		of[s.ID], ids = s, append(ids, string(s.ID))
	}
	b := &pgx.Batch{}
	const balances = `select lot, place, owner, quantity from balances where lot = any($1) and quantity > 0 order by lot, place, owner`
	b.Queue(balances, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			var s stock.SpotBalance
			if err := rows.Scan(&s.Lot, &s.Place, &s.Owner, &s.Quantity); err != nil {
				return err
			}
			of[s.Lot].Balances = append(of[s.Lot].Balances, s)
		}
		return rows.Err()
	})
	const containers = `select lot, container, place, quantity, filled_from, filled_to from containers
		where lot = any($1) and quantity > 0 order by lot, container, place`
	b.Queue(containers, ids).Query(func(rows pgx.Rows) error {
		for rows.Next() {
			c, err := scanContainer(rows)
			if err != nil {
				return err
			}
			of[c.Lot].Containers = append(of[c.Lot].Containers, stock.ContainerState{Container: *c})
		}
		return rows.Err()
	})
	b.Queue(flagsOf, ids).Query(func(rows pgx.Rows) error {
		flags := map[lot.ID][]stock.Flag{}
		if err := scanFlags(rows, flags); err != nil {
			return err
		}
		for id, on := range flags {
			for _, f := range on {
				if f.Excluded {
					continue
				}
				of[id].Holds = append(of[id].Holds, f.Hold)
				for i := range of[id].Containers {
					if c := &of[id].Containers[i]; f.Covers(&c.Container) {
						c.Holds = append(c.Holds, f.Hold)
					}
				}
			}
		}
		return nil
	})
	return tx.SendBatch(ctx, b).Close()
}

// Holds lists holds, oldest first, after a number; those on one lot or all.
func (r *Reader) Holds(ctx context.Context, on lot.ID, endedToo bool, after int64, limit int) (out []*hold.State, err error) {
	const read = `select h.hold, h.number, h.class, h.root, h.reason, h.recall, h.placed_by, h.effective, h.ended_at is not null,
			h.containers, h.fill_from, h.fill_to,
			h.ended_at is null and exists (select from hold_frontier f where f.hold = h.hold),
			array(select f.lot::text from hold_flags f where f.hold = h.hold and not f.excluded order by f.lot),
			array(select f.lot::text from hold_flags f where f.hold = h.hold and f.excluded order by f.lot)
		from holds h
		where h.number > $1 and ($2 or h.ended_at is null)
			and ($3 = '' or exists (select from hold_flags f where f.hold = h.hold and f.lot = $3))
		order by h.number limit $4`
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, read, after, endedToo, on, limit)
		if err != nil {
			return fmt.Errorf("read holds: %w", err)
		}
		out, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*hold.State, error) {
			s := &hold.State{}
			var lots, excluded []string
			var from, to *time.Time
			err := row.Scan(&s.Held.Hold, &s.Number, &s.Class, &s.Root, &s.Reason, &s.Recall, &s.PlacedBy, &s.At, &s.Ended, &s.Containers, &from, &to,
				&s.Spreading, &lots, &excluded)
			s.FillFrom, s.FillTo, s.Lots, s.Excluded = orZero(from), orZero(to), ids(lots), ids(excluded)
			return s, err
		})
		return err
	})
	return out, err
}

func ids(in []string) []lot.ID {
	out := make([]lot.ID, len(in))
	for i, s := range in {
		out[i] = lot.ID(s)
	}
	return out
}

// Spreading lists holds that have not reached all their descendants.
func (r *Reader) Spreading(ctx context.Context) (out []string, err error) {
	const read = `select distinct h.hold::text from holds h join hold_frontier f on f.hold = h.hold where h.ended_at is null order by 1`
	err = r.db.Snapshot(ctx, func(ctx context.Context, tx pgx.Tx) error {
		rows, err := tx.Query(ctx, read)
		if err != nil {
			return fmt.Errorf("read spreading holds: %w", err)
		}
		out, err = pgx.CollectRows(rows, pgx.RowTo[string])
		return err
	})
	return out, err
}

// KeepRefusal keeps why a try of a movement was refused. It gives what stands: the refusal of the first who judged it, or nil where it was
// accepted meanwhile.
func (r *Reader) KeepRefusal(ctx context.Context, at time.Time, command string, try int64, why error) (stands error, err error) {
	err = r.db.InTx(ctx, func(ctx context.Context, tx pgx.Tx) error {
		stands, err = New(tx, at).Refuse(ctx, command, try, why)
		return err
	})
	return stands, err
}

// IssueToken registers a token by its hash.
func (t *Tx) IssueToken(ctx context.Context, token access.Token, secretSHA256 []byte) error {
	return access.Issue(ctx, t.tx, token, secretSHA256, t.at)
}

// RevokeToken ends a token.
func (t *Tx) RevokeToken(ctx context.Context, id string) error {
	return access.Revoke(ctx, t.tx, id, t.at)
}

// RunLines is a run as it stands, read without locks.
func (t *Tx) RunLines(ctx context.Context, id lot.RunID) (*stock.RunState, error) {
	k := &stock.Known{Runs: map[lot.RunID]*stock.RunState{}, Units: map[lot.ItemID]lot.Quantity{}}
	b := &pgx.Batch{}
	readRuns(b, `select run, version, stage, owner, final from runs where run = any($1)`, []string{string(id)}, k)
	if err := t.send(ctx, "read a run", b); err != nil {
		return nil, err
	}
	if k.Runs[id] == nil {
		return &stock.RunState{ID: id}, nil
	}
	return k.Runs[id], nil
}

// Lies is what lies of a lot at a place.
func (t *Tx) Lies(ctx context.Context, id lot.ID, place lot.PlaceID) (lot.Quantity, error) {
	const read = `select coalesce(sum(quantity), 0)::bigint from balances where lot = $1 and place = $2`
	var q lot.Quantity
	if err := t.tx.QueryRow(ctx, read, id, place).Scan(&q); err != nil {
		return 0, fmt.Errorf("read what lies of lot %s: %w", id, err)
	}
	return q, nil
}

// RunTotals are the pounds of a run's newest version as the ledger has them.
func (t *Tx) RunTotals(ctx context.Context, id lot.RunID) (*stock.RunState, error) {
	k, err := t.Lock(ctx, stock.Want{Runs: []lot.RunID{id}})
	if err != nil {
		return nil, err
	}
	return k.Runs[id], nil
}
