package sim

import (
	"time"

	"huskline/internal/lot"
	"huskline/services/inventory/internal/genealogy"
)

// Index is the genealogy: a fold of all facts.
type Index struct{ x *genealogy.Index }

// NewIndex is one without facts.
func NewIndex() Index { return Index{genealogy.New()} }

// Apply folds one fact.
func (i Index) Apply(e lot.Recorded) error { return i.x.Apply(e) }

// Answers are what the genealogy says of all lots, to be compared.
type Answers struct {
	Totals      genealogy.Totals
	Lots        map[lot.ID]genealogy.Lot
	Quantities  map[lot.ID]genealogy.Quantities
	Descendants map[lot.ID][]lot.ID
	Ancestors   map[lot.ID][]lot.ID
	Origins     map[lot.ID][]genealogy.Origin
}

// Answer asks about lots.
func (i Index) Answer(lots []lot.ID) (Answers, error) {
	v := i.x.View(time.Time{})
	a := Answers{
		Totals: v.Totals(), Lots: map[lot.ID]genealogy.Lot{}, Quantities: map[lot.ID]genealogy.Quantities{},
		Descendants: map[lot.ID][]lot.ID{}, Ancestors: map[lot.ID][]lot.ID{}, Origins: map[lot.ID][]genealogy.Origin{},
	}
	for _, id := range lots {
		var err error
		if a.Lots[id], err = v.Lot(id); err != nil {
			return a, err
		}
		if a.Quantities[id], err = v.Quantities(id); err != nil {
			return a, err
		}
		if a.Descendants[id], err = v.Descendants(id); err != nil {
			return a, err
		}
		if a.Ancestors[id], err = v.Ancestors(id); err != nil {
			return a, err
		}
		if a.Origins[id], err = v.Origins(id); err != nil {
			return a, err
		}
	}
	return a, nil
}
