// Package sim gives the simulation what is pure in production: runs, charges, and the cost of all that is known, over tables in memory in place of
// SQL. It is for tests only.
package sim

import (
	"cmp"
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"time"

	"github.com/google/uuid"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	"huskline/internal/sim/mem"
	"huskline/internal/weight"
	"huskline/services/production/internal/charge"
	"huskline/services/production/internal/consumer"
	"huskline/services/production/internal/run"
	"huskline/services/production/internal/server/write"
	"huskline/services/production/internal/stage"
)

// store is production's tables.
type store struct {
	runs    *mem.Table[lot.RunID, run.State]
	lines   *mem.Table[string, lot.RunPosted] // by run and version
	numbers *mem.Table[int, int64]
	charges *mem.Table[string, charge.State]
	stages  *mem.Table[string, bool]
	items   *mem.Table[lot.ItemID, lot.Measure]
	prices  *mem.Table[lot.ItemID, []price]
	lots    *mem.Table[lot.ID, run.Lot]
	owed    *mem.Table[int64, owed]
	owing   *mem.Cell[int64] // number of the last
}

// price is an item as it was told, from a time on.
type price struct {
	from     time.Time
	position int64
	splitOff *money.Price
	unit     weight.Mass
}

// owed is an event that follows from another's and is still to be said.
type owed struct {
	id, kind string
	payload  []byte
}

func newStore(log *mem.Log) *store {
	return &store{
		runs: mem.NewTable[lot.RunID, run.State](log), lines: mem.NewTable[string, lot.RunPosted](log), numbers: mem.NewTable[int, int64](log),
		charges: mem.NewTable[string, charge.State](log), stages: mem.NewTable[string, bool](log), items: mem.NewTable[lot.ItemID, lot.Measure](log),
		prices: mem.NewTable[lot.ItemID, []price](log), lots: mem.NewTable[lot.ID, run.Lot](log), owed: mem.NewTable[int64, owed](log),
		owing: mem.NewCell[int64](log, 0),
	}
}

// tx is a transaction as the domains see it. What the simulation does not use (tokens) is not there: to call it is a nil dereference.
type tx struct {
	write.Tx
	s     *store
	at    time.Time
	after []lot.Receipt // what is applied of the others
}

var (
	_ run.Tx      = (*tx)(nil)
	_ charge.Tx   = (*tx)(nil)
	_ stage.Tx    = (*tx)(nil)
	_ consumer.Tx = (*tx)(nil)
)

// Now is the one time of all that the transaction writes.
func (t *tx) Now() time.Time { return t.at }

// Run finds a run; nil where there is none.
func (t *tx) Run(_ context.Context, id lot.RunID) (*run.State, error) {
	s, ok := t.s.runs.Get(id)
	if !ok {
		return nil, nil
	}
	return &s, nil
}

// HeldRuns finds the runs that a command has reserved, by code.
func (t *tx) HeldRuns(_ context.Context, command string) ([]run.State, error) {
	var out []run.State
	for _, s := range t.s.runs.All() {
		if s.HeldBy == command && command != "" {
			out = append(out, s)
		}
	}
	return out, nil
}

// AddRun writes a new run with its charges; those that were refused make room for them.
func (t *tx) AddRun(ctx context.Context, s run.State, charges ...charge.State) (taken run.Taken, err error) {
	if have, ok := t.s.runs.Get(s.Run); ok && have.Phase != run.Refused {
		taken.Run = true
	} else {
		t.s.runs.Put(s.Run, s)
	}
	taken.Charge, err = t.AddCharges(ctx, charges...)
	return taken, err
}

// SaveRun writes a run that has changed, and adds lines of a posting to their version.
func (t *tx) SaveRun(ctx context.Context, s run.State, lines ...lot.RunPosted) error {
	if t.s.runs.Has(s.Run) {
		t.s.runs.Put(s.Run, s)
	}
	for _, p := range lines {
		if err := t.SaveLines(ctx, p); err != nil {
			return err
		}
	}
	return nil
}

// FinishRun is SaveRun with the charges that a command has reserved, which are posted and listed by id.
func (t *tx) FinishRun(ctx context.Context, s run.State, p lot.RunPosted, command string) ([]charge.State, error) {
	if err := t.SaveRun(ctx, s, p); err != nil {
		return nil, err
	}
	return t.Settle(ctx, command, charge.Posted)
}

// NextCode counts the runs of a year that were given a code here, from 0.
func (t *tx) NextCode(_ context.Context, year int) (int64, error) {
	n, _ := t.s.numbers.Get(year)
	t.s.numbers.Put(year, n+1)
	return n, nil
}

func linesKey(id lot.RunID, version int64) string { return fmt.Sprintf("%s\x00%d", id, version) }

// SaveLines adds lines of a posting to their version; lines that are there already stay.
func (t *tx) SaveLines(ctx context.Context, p lot.RunPosted) error {
	all, err := t.Lines(ctx, p.Run, p.Version)
	if err != nil {
		return err
	}
	for _, in := range p.Inputs {
		if !slices.ContainsFunc(all.Inputs, func(have lot.RunInput) bool { return have.Line == in.Line }) {
			all.Inputs = append(all.Inputs, in)
		}
	}
	for _, out := range p.Outputs {
		if !slices.ContainsFunc(all.Outputs, func(have lot.RunOutput) bool { return have.Line == out.Line }) {
			out.Owner = ""
			all.Outputs = append(all.Outputs, out)
		}
	}
	for _, c := range p.Contributions {
		if !slices.ContainsFunc(all.Contributions, func(have lot.Contribution) bool { return have.Input == c.Input && have.Output == c.Output }) {
			all.Contributions = append(all.Contributions, c)
		}
	}
	slices.SortFunc(all.Inputs, func(a, b lot.RunInput) int { return cmp.Compare(a.Line, b.Line) })
	slices.SortFunc(all.Outputs, func(a, b lot.RunOutput) int { return cmp.Compare(a.Line, b.Line) })
	slices.SortFunc(all.Contributions, func(a, b lot.Contribution) int {
		return cmp.Or(cmp.Compare(a.Input, b.Input), cmp.Compare(a.Output, b.Output))
	})
	t.s.lines.Put(linesKey(p.Run, p.Version), all)
	return nil
}

// Lines is what a version of a run took in and gave so far.
func (t *tx) Lines(_ context.Context, id lot.RunID, version int64) (lot.RunPosted, error) {
	p, _ := t.s.lines.Get(linesKey(id, version))
	return lot.RunPosted{
		Run: id, Version: version, Inputs: slices.Clone(p.Inputs), Outputs: slices.Clone(p.Outputs), Contributions: slices.Clone(p.Contributions),
	}, nil
}

// Charge finds a charge; nil where there is none.
func (t *tx) Charge(_ context.Context, id string) (*charge.State, error) {
	s, ok := t.s.charges.Get(id)
	if !ok {
		return nil, nil
	}
	return &s, nil
}

// AddCharges writes new charges; those that were refused make room for them. It names the first whose id another has.
func (t *tx) AddCharges(_ context.Context, states ...charge.State) (taken string, err error) {
	for _, s := range states {
		if have, ok := t.s.charges.Get(s.Charge); ok && have.Phase != charge.Refused {
			taken = cmp.Or(taken, s.Charge)
			continue
		}
		t.s.charges.Put(s.Charge, s)
	}
	return taken, nil
}

// SaveCharge writes what stands in place of a charge.
func (t *tx) SaveCharge(_ context.Context, s charge.State) error {
	if have, ok := t.s.charges.Get(s.Charge); ok {
		have.ReplacedBy = s.ReplacedBy
		t.s.charges.Put(s.Charge, have)
	}
	return nil
}

// ChargesOf lists the posted charges that name a run, by id.
func (t *tx) ChargesOf(_ context.Context, id lot.RunID) ([]charge.State, error) {
	var out []charge.State
	for _, s := range t.s.charges.All() {
		if s.Phase == charge.Posted && slices.Contains(s.Runs, id) {
			out = append(out, s)
		}
	}
	return out, nil
}

// Settle moves the charges that a command has reserved to another phase, and lists them by id.
func (t *tx) Settle(_ context.Context, command string, to charge.Phase) ([]charge.State, error) {
	var out []charge.State
	for k, s := range t.s.charges.All() {
		if s.HeldBy == command && s.Phase == charge.Reserved {
			s.Phase = to
			t.s.charges.Put(k, s)
			out = append(out, s)
		}
	}
	return out, nil
}

// SaveStage adds a stage.
func (t *tx) SaveStage(_ context.Context, s stage.Stage) error {
	t.s.stages.Put(s.Code, true)
	return nil
}

// Look finds a run, a stage, items with the split-off prices in force at a time, and lots.
func (t *tx) Look(ctx context.Context, w run.Want) (have run.Have, err error) {
	have = run.Have{Items: map[lot.ItemID]run.Item{}, Lots: map[lot.ID]run.Lot{}}
	if w.Run != "" {
		if have.Run, err = t.Run(ctx, w.Run); err != nil {
			return have, err
		}
	}
	have.Stage = w.Stage != "" && t.s.stages.Has(w.Stage)
	for _, id := range w.Items {
		if measure, ok := t.s.items.Get(id); ok {
			have.Items[id] = run.Item{Measure: measure, Unit: t.unit(id), Price: t.price(id, w.At)}
		}
	}
	for _, id := range w.Lots {
		if l, ok := t.s.lots.Get(id); ok {
			l.Unit = t.unit(l.Item)
			have.Lots[id] = l
		}
	}
	return have, nil
}

// unit is the weight of a piece as the change says that is latest at the plant.
func (t *tx) unit(id lot.ItemID) weight.Mass {
	told, _ := t.s.prices.Get(id)
	if len(told) == 0 {
		return 0
	}
	return told[len(told)-1].unit
}

// price is the split-off price in force at a time; an item's first price holds for all time before it.
func (t *tx) price(id lot.ItemID, at time.Time) *money.Price {
	told, _ := t.s.prices.Get(id)
	if len(told) == 0 {
		return nil
	}
	in := told[0]
	for _, p := range told {
		if !p.from.After(at) {
			in = p
		}
	}
	if in.splitOff == nil || *in.splitOff <= 0 {
		return nil
	}
	return in.splitOff
}

// SaveItem notes what intake said of an item.
func (t *tx) SaveItem(_ context.Context, i lot.ItemChanged, effective time.Time, at lot.Receipt) error {
	unit := i.Unit
	if i.ItemKind == lot.Packaging {
		unit = 0
	}
	t.s.items.Put(i.Item, i.Measure)
	before, _ := t.s.prices.Get(i.Item)
	told := append(slices.Clone(before), price{effective, at.Position, i.SplitOff, unit})
	slices.SortFunc(told, func(a, b price) int { return cmp.Or(a.from.Compare(b.from), cmp.Compare(a.position, b.position)) })
	t.s.prices.Put(i.Item, told)
	return nil
}

// SaveLots notes what the others said of lots; the latest word stands.
func (t *tx) SaveLots(_ context.Context, lots ...run.Lot) error {
	for _, l := range lots {
		l.Unit = 0
		t.s.lots.Put(l.ID, l)
	}
	return nil
}

// Say owes events that follow from another's event, which is being taken in.
func (t *tx) Say(_ context.Context, because lot.Recorded, events []lot.Event) error {
	after := slices.DeleteFunc(slices.Clone(t.after), func(r lot.Receipt) bool { return r.Producer == because.Producer })
	after = append(after, because.Receipt)
	for i, e := range events {
		id, err := follows(because.EventID, i)
		if err != nil {
			return err
		}
		payload, err := lotwire.Marshal(id, because.Actor, after, e)
		if err != nil {
			return err
		}
		n := t.s.owing.Get() + 1
		t.s.owing.Set(n)
		t.s.owed.Put(n, owed{id, e.Body.Kind(), payload})
	}
	return nil
}

// follows is the id of the event numbered n that follows from another.
func follows(because string, n int) (string, error) {
	id, err := uuid.Parse(because)
	if err != nil {
		return "", fmt.Errorf("event %q is no UUID: %w", because, err)
	}
	digest := sha256.Sum256(fmt.Appendf(nil, "%s\x00%s\x00%d", lot.Production, because, n))
	copy(id[6:], digest[:])
	id[6], id[8] = id[6]&0x0f|0x70, id[8]&0x3f|0x80
	return id.String(), nil
}
