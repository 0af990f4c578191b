package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
	"huskline/internal/money"
	"huskline/internal/postgres"
	"huskline/internal/seal"
	"huskline/services/inventory/internal/shipping"
)

// Shipment reads a shipment, which stands for good, and locks its lines.
func (t *Tx) Shipment(ctx context.Context, id string) (*shipping.Shipment, error) {
	if err := t.takeTry(ctx); err != nil {
		return nil, err
	}
	const read = `select kind, consignee, channel, carrier, document, freight, effective from shipments where shipment = $1`
	s := &shipping.Shipment{}
	s.Shipped.Shipment = id
	err := t.tx.QueryRow(ctx, read, id).Scan(&s.ShipKind, &s.Consignee, &s.Channel, &s.Carrier, &s.Document, &s.FreightOut, &s.At)
	switch {
	case err == pgx.ErrNoRows:
		return nil, fault.NotFound("shipment_unknown", "shipment %s: there is none of this number", id)
	case err != nil:
		return nil, fmt.Errorf("read shipment %s: %w", id, err)
	}
	const lines = `select line, lot, quantity, place, price, returned, containers from shipment_lines where shipment = $1 order by line for update`
	rows, err := t.tx.Query(ctx, lines, id)
	if err != nil {
		return nil, fmt.Errorf("lock lines of shipment %s: %w", id, err)
	}
	s.Lines, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (*shipping.Line, error) {
		l := &shipping.Line{}
		var price *int64
		err := row.Scan(&l.Line, &l.Lot, &l.Quantity, &l.Place, &price, &l.Returned, &l.Containers)
		if price != nil {
			of := money.Price(*price)
			l.Price = &of
		}
		return l, err
	})
	return s, err
}

var (
	addShipment = seal.Insert("shipments", "shipment, kind, consignee, channel, carrier, document, freight, effective, recorded",
		`select $1::text, $2::smallint, $3::text, $4::text, $5::text, $6::text, $7::bigint, $8::timestamptz, $9::timestamptz`)
	addShipmentLines = seal.Insert("shipment_lines", "shipment, line, lot, quantity, place, price, returned, containers",
		`select $1::text, n, l, q, p, m, 0, c::text[]
		from unnest($2::bigint[], $3::text[], $4::bigint[], $5::text[], $6::bigint[], $7::text[]) as u(n, l, q, p, m, c)`)
)

// AddShipment writes a new shipment, with the next Write.
func (t *Tx) AddShipment(_ context.Context, s *shipping.Shipment) error {
	t.early.Queue(addShipment,
		s.Shipped.Shipment, s.ShipKind, s.Consignee, s.Channel, s.Carrier, s.Document, s.FreightOut, s.At, t.at)
	var lines, quantities []int64
	var prices []*int64
	var lots, places, containers []string
	for _, l := range s.Lines {
		lines, quantities, prices = append(lines, l.Line), append(quantities, int64(l.Quantity)), append(prices, priceOf(l.Price))
		lots, places, containers = append(lots, string(l.Lot)), append(places, string(l.Place)), append(containers, postgres.TextArray(l.Containers))
	}
	t.early.Queue(addShipmentLines, s.Shipped.Shipment, lines, lots, quantities, places, prices, containers)
	return nil
}

var setLine = `update shipment_lines set lot = $3, quantity = $4, place = $5, price = $6, returned = $7, containers = $8::text::text[],
	seal = ` + seal.Of("shipment, line, $3::text, $4::bigint, $5::text, $6::bigint, $7::bigint, $8::text::text[]") + `
	where shipment = $1 and line = $2`

func priceOf(p *money.Price) *int64 {
	if p == nil {
		return nil
	}
	n := int64(*p)
	return &n
}

// SetLine changes a line.
func (t *Tx) SetLine(ctx context.Context, shipment string, l *shipping.Line) error {
	_, err := t.tx.Exec(ctx, setLine, shipment, l.Line, l.Lot, l.Quantity, l.Place, priceOf(l.Price), l.Returned, postgres.TextArray(l.Containers))
	if err != nil {
		return fmt.Errorf("write line %d of shipment %s: %w", l.Line, shipment, err)
	}
	return nil
}
