package genealogy

import (
	"sort"

	"huskline/internal/lot"
)

// Descendants are all lots made from a lot, directly or not, sorted, without itself. A lot that facts name but none made is included: it is
// known by its code.
func (v View) Descendants(id lot.ID) ([]lot.ID, error) {
	n, err := v.find(id)
	if err != nil {
		return nil, err
	}
	return v.ids(v.reach(n, v.children)), nil
}

// Ancestors are all lots a lot was made from, directly or not, sorted, without itself. Where a run has a contribution table, only the inputs
// that the table joins to an output are that output's ancestors.
func (v View) Ancestors(id lot.ID) ([]lot.ID, error) {
	n, err := v.find(id)
	if err != nil {
		return nil, err
	}
	return v.ids(v.reach(n, v.parents)), nil
}

// marks is a set of numbers.
type marks []uint64

func newMarks(n int) marks { return make(marks, n/64+1) }

// add tells whether n is new to the set.
func (m marks) add(n int32) bool {
	bit := uint64(1) << (n & 63)
	if m[n>>6]&bit != 0 {
		return false
	}
	m[n>>6] |= bit
	return true
}

// reach walks from a lot over all lots that step leads to, itself left out. Step is given the runs that were crossed whole, and need not be
// crossed again.
func (v View) reach(n int32, step func(n int32, crossed marks, visit func(int32))) []int32 {
	seen, crossed := newMarks(len(v.index.lots)), newMarks(len(v.index.runs))
	seen.add(n)
	var found []int32
	visit := func(next int32) {
		if seen.add(next) {
			found = append(found, next)
		}
	}
	step(n, crossed, visit)
	for i := 0; i < len(found); i++ {
		step(found[i], crossed, visit)
	}
	return found
}

// children are the lots made straight from a lot.
func (v View) children(n int32, crossed marks, visit func(int32)) {
	x := v.index
	for i := x.lots[n].out; i != none; i = x.legs[i].next {
		if !v.counts(i) {
			continue
		}
		switch l := &x.legs[i]; l.kind {
		case pouredOut, boughtOut, wentBack:
			visit(l.peer)
		case input:
			v.contributed(l.peer, n, visit)
			if crossed.add(l.peer) {
				v.unnamed(l.peer, visit)
			}
		}
	}
}

// parents are the lots a lot was made straight from.
func (v View) parents(n int32, crossed marks, visit func(int32)) {
	x := v.index
	for i := x.lots[n].in; i != none; i = x.legs[i].next {
		if !v.counts(i) {
			continue
		}
		switch l := &x.legs[i]; l.kind {
		case pouredIn, boughtIn, cameBack:
			visit(l.peer)
		case output:
			if x.runs[l.peer].names(n) {
				v.contributors(l.peer, n, func(in int32, _ lot.Quantity) { visit(in) })
			} else if crossed.add(l.peer) {
				v.inputs(l.peer, visit)
			}
		}
	}
}

// inputs visits the lots that a run took in.
func (v View) inputs(r int32, visit func(int32)) {
	x := v.index
	for i := x.runs[r].first; i != none; i = x.legs[i].mate {
		if x.legs[i].kind == input && v.counts(i) {
			visit(x.legs[i].lot)
		}
	}
}

// unnamed visits the outputs that no row of the run's table names: all, where it has no table.
func (v View) unnamed(r int32, visit func(int32)) {
	x := v.index
	for i := x.runs[r].first; i != none; i = x.legs[i].mate {
		if l := &x.legs[i]; l.kind == output && v.counts(i) && !x.runs[r].names(l.lot) {
			visit(l.lot)
		}
	}
}

// contributed visits the outputs that the table joins to an input.
func (v View) contributed(r, in int32, visit func(int32)) {
	for _, c := range rowsOf(v.index.runs[r].byInput, in, func(c contribution) int32 { return c.input }) {
		if v.hasLine(v.index.lots[c.output].in, output, r) {
			visit(c.output)
		}
	}
}

// contributors visits the inputs that the table joins to an output, with the pounds that went in, row by row.
func (v View) contributors(r, out int32, visit func(int32, lot.Quantity)) {
	for _, c := range rowsOf(v.index.runs[r].byOutput, out, func(c contribution) int32 { return c.output }) {
		if v.hasLine(v.index.lots[c.input].out, input, r) {
			visit(c.input, c.quantity)
		}
	}
}

// hasLine looks along a lot's chain for a line of a run.
func (v View) hasLine(chain int32, kind legKind, r int32) bool {
	for i := chain; i != none; i = v.index.legs[i].next {
		if l := &v.index.legs[i]; l.kind == kind && l.peer == r && v.counts(i) {
			return true
		}
	}
	return false
}

// rowsOf finds a lot's rows in a table sorted by it.
func rowsOf(table []contribution, n int32, of func(contribution) int32) []contribution {
	from := sort.Search(len(table), func(i int) bool { return of(table[i]) >= n })
	to := from
	for to < len(table) && of(table[to]) == n {
		to++
	}
	return table[from:to]
}

// names tells whether the run's contribution table says what went into an output.
func (r *run) names(out int32) bool {
	return len(r.byOutput) > 0 && len(rowsOf(r.byOutput, out, func(c contribution) int32 { return c.output })) > 0
}
