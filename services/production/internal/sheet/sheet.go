// Package sheet is what cost answers are read from: the book of costs, with the charges and returns as they were told.
package sheet

import (
	"huskline/internal/lot"
	"huskline/services/production/internal/cost"
)

// Index is the book with what stands beside it. Like the book it is not safe for concurrent use.
type Index struct {
	Book    *cost.Book
	charges map[string]lot.ChargePosted
	Returns bool // at least one return was recorded
}

// New is an index without facts.
func New() *Index {
	return &Index{Book: cost.New(), charges: map[string]lot.ChargePosted{}}
}

// Apply folds one fact of any producer in.
func (x *Index) Apply(e lot.Recorded) error {
	if err := x.Book.Apply(e); err != nil {
		return err
	}
	switch body := e.Body.(type) {
	case lot.ChargePosted:
		x.charges[body.Charge] = body
	case lot.Returned:
		x.Returns = true
	}
	return nil
}

// Charges are the charges of a run as they were posted, of one for several runs the whole amount.
func (x *Index) Charges(r cost.RunCost) []lot.ChargePosted {
	out := make([]lot.ChargePosted, len(r.Charges))
	for i, c := range r.Charges {
		out[i] = x.charges[c.Charge]
	}
	return out
}

// IsKernel tells whether a lot is kernel.
func (x *Index) IsKernel(id lot.ID) bool {
	l, err := x.Book.Lot(id)
	return err == nil && l.ItemKind == lot.Kernel
}

// The bases that a run's cost is shared by.
const (
	BySalesValue = "sales value at split-off"
	ByPounds     = "weight"
)

// byTable follows the basis of a run with a contribution table: what an input brought goes only to what it became part of.
const byTable = ", each input by the contribution table"

// Basis is what a run's cost is shared by: pounds x split-off price, or pounds where no main output has a price; said with the contribution table
// where the run has one.
func Basis(r cost.RunCost) string {
	basis := ByPounds
	for _, out := range r.Outputs {
		if out.Role == lot.Main && out.Price != nil && *out.Price > 0 && r.Fault == nil { // priced in part: by pounds until that is put right
			basis = BySalesValue
		}
	}
	if r.ByTable {
		basis += byTable
	}
	return basis
}

// MadeBy is the run that a lot first came out of; empty where it was received, bought, poured or came back.
func MadeBy(l cost.LotCost) lot.RunID {
	if len(l.Sources) > 0 && l.Sources[0].Kind == cost.FromRun {
		return lot.RunID(l.Sources[0].Key)
	}
	return ""
}
