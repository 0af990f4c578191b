// Package snapshot reads a whole database at one moment into memory, every column as the text Postgres gives for it, so that rules about stored
// rows can be tried on values alone: by verify, by the checker of the fault runs, and on copies in which a byte was changed.
package snapshot

import (
	"context"
	"encoding/hex"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
)

// Cell is one stored value.
type Cell struct {
	Text string
	Null bool
}

// Table is all rows of a table.
type Table struct {
	Name    string
	Columns []string // in the order of the table
	Types   []string // as format_type prints them
	Key     []string // columns of the primary key, in its order
	Rows    [][]Cell

	at map[string]int
}

// Database is all tables of a service's database at one moment.
type Database struct {
	Service string // whose database it is
	Tables  map[string]*Table
}

// Table is the table of a name; one without columns and rows where there is none.
func (d *Database) Table(name string) *Table {
	if t := d.Tables[name]; t != nil {
		return t
	}
	return &Table{Name: name}
}

// NewTable is a table without rows.
func NewTable(name string, columns, types, key []string) *Table {
	t := &Table{Name: name, Columns: columns, Types: types, Key: key, at: map[string]int{}}
	for i, c := range columns {
		t.at[c] = i
	}
	return t
}

// Column is where a column stands; -1 where there is none.
func (t *Table) Column(name string) int {
	if i, ok := t.at[name]; ok {
		return i
	}
	return -1
}

// All are the rows for reading.
func (t *Table) All() []Row {
	rows := make([]Row, len(t.Rows))
	for i := range t.Rows {
		rows[i] = Row{t, t.Rows[i]}
	}
	return rows
}

// Row is a row with the names of its columns.
type Row struct {
	Table *Table
	Cells []Cell
}

// Text is a column as Postgres prints it; empty where it is null or not there.
func (r Row) Text(column string) string {
	i := r.Table.Column(column)
	if i < 0 {
		return ""
	}
	return r.Cells[i].Text
}

// Null tells whether a column is null or not there.
func (r Row) Null(column string) bool {
	i := r.Table.Column(column)
	return i < 0 || r.Cells[i].Null
}

// Int is a whole number; the smallest int64, which nothing stored comes to, where it is none.
func (r Row) Int(column string) int64 {
	n, err := strconv.ParseInt(r.Text(column), 10, 64)
	if err != nil {
		return math.MinInt64
	}
	return n
}

// Bool is a truth value.
func (r Row) Bool(column string) bool { return r.Text(column) == "t" }

// Bytes is a bytea; nil where it is none.
func (r Row) Bytes(column string) []byte {
	b, err := hex.DecodeString(strings.TrimPrefix(r.Text(column), `\x`))
	if err != nil {
		return nil
	}
	return b
}

// timeForm is how Postgres prints a timestamptz in UTC.
const timeForm = "2006-01-02 15:04:05.999999-07"

// Time is a timestamptz; the zero time where it is null.
func (r Row) Time(column string) time.Time {
	at, err := time.Parse(timeForm, r.Text(column))
	if err != nil {
		return time.Time{}
	}
	return at.UTC()
}

// FormatTime is a time as a cell's text.
func FormatTime(at time.Time) string { return at.UTC().Format(timeForm) }

// List is an array of texts or numbers, of one dimension.
func (r Row) List(column string) []string {
	return ParseList(r.Text(column))
}

// ParseList reads an array literal of one dimension, without nulls.
func ParseList(text string) []string {
	inner, ok := strings.CutPrefix(text, "{")
	if !ok || inner == "}" {
		return nil
	}
	var out []string
	var one strings.Builder
	quoted := false
	for i := 0; i < len(inner); i++ {
		switch c := inner[i]; {
		case c == '\\' && i+1 < len(inner):
			i++
			one.WriteByte(inner[i])
		case c == '"':
			quoted = !quoted
		case (c == ',' || c == '}') && !quoted:
			out = append(out, one.String())
			one.Reset()
		default:
			one.WriteByte(c)
		}
	}
	return out
}

// ID names the row by its key: "legs(movement=delivery/D-1 number=2)".
func (r Row) ID() string {
	var b strings.Builder
	b.WriteString(r.Table.Name + "(")
	for i, c := range r.Table.Key {
		if i > 0 {
			b.WriteByte(' ')
		}
		b.WriteString(c + "=" + r.Text(c))
	}
	b.WriteByte(')')
	return b.String()
}

// Read reads all tables that the role of the connection string may read, in one read-only transaction that sees one moment.
func Read(ctx context.Context, dsn, service string) (*Database, error) {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return nil, fmt.Errorf("read the database of %s: %w", service, err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	d := &Database{Service: service, Tables: map[string]*Table{}}
	err = pgx.BeginTxFunc(ctx, conn, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		const forms = `select set_config('timezone', 'UTC', true), set_config('datestyle', 'ISO', true), set_config('bytea_output', 'hex', true)`
		if _, err := tx.Exec(ctx, forms); err != nil {
			return err
		}
		if err := d.tables(ctx, tx); err != nil {
			return err
		}
		for _, t := range d.Tables {
			if err := t.read(ctx, tx); err != nil {
				return fmt.Errorf("table %s: %w", t.Name, err)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read the database of %s: %w", service, err)
	}
	return d, nil
}

func (d *Database) tables(ctx context.Context, tx pgx.Tx) error {
	const list = `select c.relname::text, array_agg(a.attname::text order by a.attnum), array_agg(format_type(a.atttypid, a.atttypmod) order by a.attnum),
			coalesce((select array_agg(k.attname::text order by array_position(i.indkey::int2[], k.attnum)) from pg_index i
				join pg_attribute k on k.attrelid = i.indrelid and k.attnum = any(i.indkey) where i.indrelid = c.oid and i.indisprimary), '{}')
		from pg_class c join pg_attribute a on a.attrelid = c.oid and a.attnum > 0 and not a.attisdropped
		where c.relnamespace = 'public'::regnamespace and c.relkind = 'r' group by c.oid, c.relname`
	rows, err := tx.Query(ctx, list)
	if err != nil {
		return err
	}
	var name string
	var columns, types, key []string
	_, err = pgx.ForEachRow(rows, []any{&name, &columns, &types, &key}, func() error {
		d.Tables[name] = NewTable(name, columns, types, key)
		columns, types, key = nil, nil, nil
		return nil
	})
	return err
}

func (t *Table) read(ctx context.Context, tx pgx.Tx) error {
	// The name is the catalogue's; such a statement takes it as no parameter. The simple protocol gives every column as text.
	rows, err := tx.Query(ctx, "select * from "+pgx.Identifier{t.Name}.Sanitize(), pgx.QueryExecModeSimpleProtocol)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		raw := rows.RawValues()
		cells := make([]Cell, len(raw))
		for i, v := range raw {
			cells[i] = Cell{Text: string(v), Null: v == nil}
		}
		t.Rows = append(t.Rows, cells)
	}
	return rows.Err()
}
