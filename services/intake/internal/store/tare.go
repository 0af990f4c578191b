package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/services/intake/internal/visit"
)

// Vehicle finds a vehicle.
func (t *Tx) Vehicle(ctx context.Context, plate string) (*lot.VehicleChanged, error) {
	const find = `select v.fact from vehicles p join vehicle_versions v using (plate, version) where p.plate = $1`
	var fact []byte
	switch err := t.tx.QueryRow(ctx, find, plate).Scan(&fact); {
	case absent(err):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("find vehicle %s: %w", plate, err)
	}
	v, err := readFact(fact, lotwire.ParseVehicleChanged)
	return &v, err
}

// SaveVehicle adds a version of a vehicle, which stands from now on.
func (t *Tx) SaveVehicle(ctx context.Context, v lot.VehicleChanged) error {
	const save = `with p as (insert into vehicles (plate, version) values ($1, 1)
			on conflict (plate) do update set version = vehicles.version + 1 returning version)
		insert into vehicle_versions (plate, version, fact, recorded) select $1, version, $2, $3 from p`
	fact, err := written(lotwire.VehicleChanged(v))
	if err != nil {
		return err
	}
	if _, err := t.tx.Exec(ctx, save, v.Plate, fact, t.at); err != nil {
		return fmt.Errorf("save vehicle %s: %w", v.Plate, err)
	}
	return nil
}

// Tare finds a stored tare.
func (t *Tx) Tare(ctx context.Context, number int64) (*lot.TareStored, error) {
	return t.oneTare(ctx, `select fact from tares where tare = $1`, number)
}

func (t *Tx) oneTare(ctx context.Context, find string, args ...any) (*lot.TareStored, error) {
	var fact []byte
	switch err := t.tx.QueryRow(ctx, find, args...).Scan(&fact); {
	case absent(err):
		return nil, nil
	case err != nil:
		return nil, fmt.Errorf("find a stored tare: %w", err)
	}
	tare, err := readFact(fact, lotwire.ParseTareStored)
	return &tare, err
}

// SaveTare adds a stored tare.
func (t *Tx) SaveTare(ctx context.Context, tare lot.TareStored) error {
	fact, err := written(lotwire.TareStored(tare))
	if err != nil {
		return err
	}
	b := &pgx.Batch{}
	queueNumber(b, "tare", tare.Tare)
	b.Queue(`insert into tares (tare, plate, expires, fact, recorded) values ($1, $2, $3, $4, $5)`, tare.Tare, tare.Plate, tare.Expires, fact, t.at)
	return t.send(ctx, fmt.Sprintf("store tare %d", tare.Tare), b)
}

// Proposal is what a plate suggests now.
func (t *Tx) Proposal(ctx context.Context, plate string) (p visit.Proposal, err error) {
	p.Plate = plate
	if p.Vehicle, err = t.Vehicle(ctx, plate); err != nil {
		return p, err
	}
	var open bool
	var number int64
	err = t.tx.QueryRow(ctx, `select visit, opened, open from visits where plate = $1 order by open desc, visit desc limit 1`, plate).
		Scan(&number, &p.Opened, &open)
	if err != nil && !absent(err) {
		return p, fmt.Errorf("propose a visit of %s: %w", plate, err)
	}
	if open {
		p.Open, p.Opened = number, p.Opened.UTC()
	}
	err = t.tx.QueryRow(ctx, `select party from visits where plate = $1 and party <> '' order by visit desc limit 1`, plate).Scan(&p.Party)
	if err != nil && !absent(err) {
		return p, fmt.Errorf("propose a party for %s: %w", plate, err)
	}
	p.Tare, err = t.oneTare(ctx, `select fact from tares where plate = $1 and expires > $2 order by tare desc limit 1`, plate, t.at)
	return p, err
}

// Proposal is what a plate suggests now.
func (r *Reader) Proposal(ctx context.Context, plate string) (visit.Proposal, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) (visit.Proposal, error) { return tx.Proposal(ctx, plate) })
}

// VisitPage lists visits by number after one, only open ones where asked, at most limit.
func (r *Reader) VisitPage(ctx context.Context, after int64, openOnly bool, limit int) ([]visit.State, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]visit.State, error) {
		return tx.VisitPage(ctx, after, openOnly, limit)
	})
}

// VisitOf finds a visit; none where there is none of this number.
func (r *Reader) VisitOf(ctx context.Context, number int64) ([]visit.State, error) {
	return read(ctx, r, func(ctx context.Context, tx *Tx) ([]visit.State, error) { return tx.visits(ctx, []int64{number}) })
}
