package season

import (
	"fmt"
	"time"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// cells reads the typed values of one row and keeps the first fault, so that a translation reads straight down.
type cells struct {
	row Row
	err error
}

func (c *cells) fail(column string, err error) {
	if err != nil && c.err == nil {
		c.err = fmt.Errorf("column %s: %w", column, err)
	}
}

func (c *cells) text(column string) string { return c.row[column] }

func (c *cells) lot(column string) lot.ID {
	id, err := lot.ParseID(c.row[column])
	c.fail(column, err)
	return id
}

// decimal reads an integer of 10^-places; empty gives absent.
func (c *cells) decimal(column string, places int, absent int64) int64 {
	if c.row[column] == "" {
		return absent
	}
	n, err := weight.ParseDecimal(c.row[column], places)
	c.fail(column, err)
	return n
}

func (c *cells) mass(column string) weight.Mass { return weight.Mass(c.decimal(column, 6, 0)) }

func (c *cells) quantity(column string) lot.Quantity { return lot.Quantity(c.mass(column)) }

func (c *cells) amount(column string) money.Amount { return money.Amount(c.decimal(column, 6, 0)) }

// price is nil where the cell is empty.
func (c *cells) price(column string) *money.Price {
	if c.row[column] == "" {
		return nil
	}
	p := money.Price(c.decimal(column, 6, 0))
	return &p
}

// percent gives parts per million, -1 where unknown.
func (c *cells) percent(column string) int64 { return c.decimal(column, 4, -1) }

func (c *cells) instant(column string) time.Time {
	t, err := time.Parse(time.RFC3339, c.row[column])
	c.fail(column, err)
	return t.UTC()
}

// optional is the zero time where the cell is empty.
func (c *cells) optional(column string) time.Time {
	if c.row[column] == "" {
		return time.Time{}
	}
	return c.instant(column)
}

// centLine is quantity x price as a purchase line carries it.
func (c *cells) centLine(m weight.Mass, p money.Price) money.Amount {
	a, err := money.CentLine(m, p)
	c.fail("price", err)
	return a
}
