package seasonfile

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"slices"
	"strings"
	"time"
)

// Options say how a folder is judged.
type Options struct {
	// MaxListed caps how many faults are kept to be shown; their count is exact all the same. 0 means DefaultMaxListed.
	MaxListed int
	// Now refuses facts that lie more than 5 minutes ahead of it, as the services do. Nil leaves that to them.
	Now func() time.Time
}

// DefaultMaxListed is more faults than a person reads, and still only tens of megabytes.
const DefaultMaxListed = 100_000

// maxAhead is how far a fact may lie ahead of the clock: clocks of a plant differ by minutes, not more.
const maxAhead = 5 * time.Minute

// Read reads and judges the season folder, weighings.csv included. The error is nil where the folder could be read at all: then Faults tells
// whether it may be sent. The season holds the rows even where there are faults; it is not to be sent then.
func Read(ctx context.Context, folder fs.FS, opt Options) (*Season, *Faults, error) {
	if opt.MaxListed == 0 {
		opt.MaxListed = DefaultMaxListed
	}
	l := &load{ctx: ctx, folder: folder, faults: &Faults{limit: opt.MaxListed}, season: &Season{}}
	if opt.Now != nil {
		l.latest = opt.Now().Add(maxAhead)
	}
	if err := l.unknownFiles(); err != nil {
		return nil, nil, err
	}
	for _, s := range schemas {
		if err := l.file(s); err != nil {
			return nil, nil, err
		}
	}
	check(l.season, l.parts, l.faults)
	l.faults.sort()
	return l.season, l.faults, nil
}

// load is one reading of a folder.
type load struct {
	ctx    context.Context
	folder fs.FS
	latest time.Time // zero: no limit
	season *Season
	faults *Faults
	parts  parts
}

// parts are the rows that belong to runs, before they are given to them.
type parts struct {
	inputs        []RunInput
	outputs       []RunOutput
	contributions []Contribution
}

// unknownFiles lists CSV files that are none of the season's: a misspelt name must not drop a file without a word.
func (l *load) unknownFiles() error {
	entries, err := fs.ReadDir(l.folder, ".")
	if err != nil {
		return fmt.Errorf("read season folder: %w", err)
	}
	for _, e := range entries {
		name := e.Name()
		if strings.EqualFold(fileExtension(name), ".csv") && fileOrder(name) == len(schemas) {
			l.faults.add(Where{File: name}, "", "file_unknown", "no file of a season has this name; known are %s", strings.Join(fileNames(), ", "))
		}
	}
	return nil
}

func fileExtension(name string) string {
	if i := strings.LastIndexByte(name, '.'); i >= 0 {
		return name[i:]
	}
	return ""
}

func fileNames() []string {
	names := make([]string, len(schemas))
	for i, s := range schemas {
		names[i] = s.file
	}
	return names
}

// checkEvery is after how many rows an interrupt is looked for.
const checkEvery = 4096

// file reads one file of the folder. An absent one is a fault unless its schema lets it be.
func (l *load) file(s schema) error {
	f, err := l.folder.Open(s.file)
	if errors.Is(err, fs.ErrNotExist) {
		if !s.absent {
			l.faults.add(Where{File: s.file}, "", "file_missing", "the file is missing; where there is nothing to tell, its header row alone is required")
		}
		return nil
	}
	if err != nil {
		return fmt.Errorf("open %s: %w", s.file, err)
	}
	defer func() { _ = f.Close() }() // only read from
	t, err := newTable(s, f, l.faults)
	if t == nil || err != nil {
		return err
	}
	take := l.takers()[s.file]
	for n := 0; ; n++ {
		if n%checkEvery == 0 && l.ctx.Err() != nil {
			return l.ctx.Err()
		}
		r, err := t.next()
		if r == nil || err != nil {
			return err
		}
		take(r)
	}
}

// takers is what is done with a row of each file.
func (l *load) takers() map[string]func(*record) {
	s, p := l.season, &l.parts
	return map[string]func(*record){
		PartiesFile:       func(r *record) { s.Parties = append(s.Parties, takeParty(r)) },
		ItemsFile:         func(r *record) { s.Items = append(s.Items, takeItem(r)) },
		DeliveriesFile:    func(r *record) { s.Deliveries = append(s.Deliveries, l.takeDelivery(r)) },
		ReceiptsFile:      func(r *record) { s.Receipts = append(s.Receipts, l.takeReceipt(r)) },
		RunsFile:          func(r *record) { s.Runs = append(s.Runs, l.takeRun(r)) },
		RunInputsFile:     func(r *record) { p.inputs = append(p.inputs, l.takeInput(r)) },
		RunOutputsFile:    func(r *record) { p.outputs = append(p.outputs, l.takeOutput(r)) },
		ContributionsFile: func(r *record) { p.contributions = append(p.contributions, takeContribution(r)) },
		PoursFile:         func(r *record) { s.Pours = append(s.Pours, l.takePour(r)) },
		AdjustmentsFile:   func(r *record) { s.Adjustments = append(s.Adjustments, l.takeAdjustment(r)) },
		ShipmentsFile:     func(r *record) { s.Shipments = append(s.Shipments, l.takeShipment(r)) },
		ReturnsFile:       func(r *record) { s.Returns = append(s.Returns, l.takeReturn(r)) },
		FinalPricesFile:   func(r *record) { s.FinalPrices = append(s.FinalPrices, l.takeFinalPrice(r)) },
		WeighingsFile:     func(r *record) { l.takeWeighing(r) },
	}
}

// clock reads a time of a fact, which may not lie in the future.
func (l *load) clock(r *record, field string) time.Time {
	at := r.clock(field)
	if !l.latest.IsZero() && at.After(l.latest) {
		r.fail(field, "time_in_future", "%s: more than %d minutes ahead of this machine's clock", at.Format(time.RFC3339Nano), maxAhead/time.Minute)
	}
	return at
}

// clockOrUnknown is clock, zero where the cell is empty.
func (l *load) clockOrUnknown(r *record, field string) time.Time {
	if r.cell(field) == "" {
		return time.Time{}
	}
	return l.clock(r, field)
}

// allergensOf splits a cell such as "milk;tree nut"; an empty one names none.
func allergensOf(r *record) []string {
	cell := r.text("allergens")
	if cell == "" {
		return nil
	}
	names := strings.Split(cell, ";")
	for i, n := range names {
		if n == "" || n != strings.TrimSpace(n) || slices.Contains(names[:i], n) {
			r.fail("allergens", "allergen_malformed", "%q: names separated by a semicolon, each once, without blanks around them, are allowed", clip(cell))
			return nil
		}
	}
	return names
}
