package sim

import (
	"errors"
	"fmt"

	"huskline/internal/lot"
	"huskline/services/production/internal/cost"
	"huskline/services/production/internal/proof"
)

// Book is the cost of all that is known: a fold of all facts.
type Book struct{ b *cost.Book }

// NewBook is one without facts.
func NewBook() Book { return Book{cost.New()} }

// Apply folds one fact.
func (b Book) Apply(e lot.Recorded) error { return b.b.Apply(e) }

// Sheet is what the book says of everything, to be compared.
type Sheet struct {
	Season   cost.Season
	Balances []cost.Balance
	Lots     map[lot.ID]cost.LotCost
	Runs     map[lot.RunID]cost.RunCost
}

// Sheet asks about everything.
func (b Book) Sheet(lots []lot.ID, runs []lot.RunID) (Sheet, error) {
	s := Sheet{Balances: b.b.Where(), Season: b.b.Season(), Lots: map[lot.ID]cost.LotCost{}, Runs: map[lot.RunID]cost.RunCost{}}
	var err error
	for _, id := range lots {
		if s.Lots[id], err = b.b.Lot(id); err != nil {
			return s, err
		}
	}
	for _, id := range runs {
		if s.Runs[id], err = b.b.Run(id); err != nil {
			return s, err
		}
	}
	return s, nil
}

// Prove holds a sheet to what must come out equal in a cost account, to the last unit.
func (s Sheet) Prove() error {
	var errs []error
	check := func(of string, lines []proof.Line) {
		for _, l := range lines {
			if l.Difference() != 0 {
				errs = append(errs, fmt.Errorf("%s: %s: %d and %d differ by %d", of, l.Text, l.Left, l.Right, l.Difference()))
			}
		}
	}
	if s.Season.Short > 0 || s.Season.Stuck > 0 {
		errs = append(errs, fmt.Errorf("of %d lots more was drawn than came in, %d lots and runs are made from themselves", s.Season.Short, s.Season.Stuck))
	}
	check("season", proof.Season(s.Season, s.Balances))
	for id, r := range s.Runs {
		check("run "+string(id), proof.Run(r))
	}
	return errors.Join(errs...)
}
