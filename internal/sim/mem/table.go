// Package mem is a database in memory for the simulation: tables whose changes can be taken back, transactions that are all or nothing, and
// just those statements of the plumbing that services share. Nothing in it is safe for concurrent use: the simulation runs one step at a time.
package mem

import (
	"cmp"
	"iter"
	"maps"
	"slices"
)

// Log is what undoes the changes made since it was cut last, in the order in which they were made.
type Log struct{ undo []func() }

func (l *Log) add(undo func()) { l.undo = append(l.undo, undo) }

// Forget keeps what was changed outside of a transaction.
func (l *Log) Forget() { l.undo = nil }

// cut takes what was logged so far away.
func (l *Log) cut() []func() {
	undo := l.undo
	l.undo = nil
	return undo
}

// unroll undoes changes, the last first.
func unroll(undo []func()) {
	for _, u := range slices.Backward(undo) {
		u()
	}
}

// Table holds rows by key. A row is a value: what it points to must not be changed in place.
type Table[K cmp.Ordered, V any] struct {
	log  *Log
	rows map[K]V
}

// NewTable makes an empty table whose changes are logged.
func NewTable[K cmp.Ordered, V any](log *Log) *Table[K, V] {
	return &Table[K, V]{log: log, rows: map[K]V{}}
}

// Get finds a row.
func (t *Table[K, V]) Get(k K) (V, bool) {
	v, ok := t.rows[k]
	return v, ok
}

// Has tells whether there is a row.
func (t *Table[K, V]) Has(k K) bool {
	_, ok := t.rows[k]
	return ok
}

// Put writes a row, new or in place of the one there.
func (t *Table[K, V]) Put(k K, v V) {
	before, had := t.rows[k]
	t.rows[k] = v
	t.log.add(func() {
		if had {
			t.rows[k] = before
		} else {
			delete(t.rows, k)
		}
	})
}

// Delete takes a row away, if it is there.
func (t *Table[K, V]) Delete(k K) {
	before, had := t.rows[k]
	if !had {
		return
	}
	delete(t.rows, k)
	t.log.add(func() { t.rows[k] = before })
}

// Len is the number of rows.
func (t *Table[K, V]) Len() int { return len(t.rows) }

// Keys lists the keys in order.
func (t *Table[K, V]) Keys() []K { return slices.Sorted(maps.Keys(t.rows)) }

// All goes through the rows in key order.
func (t *Table[K, V]) All() iter.Seq2[K, V] {
	return func(yield func(K, V) bool) {
		for _, k := range t.Keys() {
			if v, ok := t.rows[k]; ok && !yield(k, v) {
				return
			}
		}
	}
}

// List holds rows in the order in which they were added; none is ever changed.
type List[V any] struct {
	log  *Log
	rows []V
}

// NewList makes an empty list whose additions are logged.
func NewList[V any](log *Log) *List[V] { return &List[V]{log: log} }

// Add writes rows, last.
func (l *List[V]) Add(rows ...V) {
	n := len(l.rows)
	l.rows = append(l.rows, rows...)
	l.log.add(func() { l.rows = l.rows[:n] })
}

// Rows lists all, oldest first. They are not to be changed.
func (l *List[V]) Rows() []V { return l.rows }

// Len is the number of rows.
func (l *List[V]) Len() int { return len(l.rows) }

// Cell holds one value.
type Cell[V any] struct {
	log *Log
	v   V
}

// NewCell makes a cell whose changes are logged.
func NewCell[V any](log *Log, v V) *Cell[V] { return &Cell[V]{log: log, v: v} }

// Get is the value.
func (c *Cell[V]) Get() V { return c.v }

// Set changes it.
func (c *Cell[V]) Set(v V) {
	before := c.v
	c.v = v
	c.log.add(func() { c.v = before })
}
