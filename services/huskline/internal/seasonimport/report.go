package seasonimport

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"huskline/services/huskline/internal/seasonfile"
)

// Refusal is rows that a rule refused.
type Refusal struct {
	seasonfile.Where
	What    string // "delivery D-00001"
	Reason  string // the rule's stable name
	Message string // the rule, the value and the limit
}

// String is the refusal on one line, which names the thing once.
func (r Refusal) String() string {
	if strings.HasPrefix(r.Message, r.What+":") {
		return fmt.Sprintf("%s: %s (%s)", r.Where, r.Message, r.Reason)
	}
	return fmt.Sprintf("%s: %s: %s (%s)", r.Where, r.What, r.Message, r.Reason)
}

// Unsent is rows that were not sent, because others were refused.
type Unsent struct {
	seasonfile.Where
	What string
}

// String is what was not sent on one line.
func (u Unsent) String() string { return u.Where.String() + ": " + u.What }

// Report is how an import went. Rows are those of the CSV files, weighings apart.
type Report struct {
	Total    int // rows of the folder
	Sent     int // accepted now
	Repeated int // accepted by an earlier import, recognised by their ids
	Refused  int // refused by a rule
	NotSent  int // because others were refused

	Elapsed time.Duration // of the rows, weighings apart

	Weighings Weighings
	Refusals  []Refusal // by file and line
	Unsent    []Unsent  // by file and line

	// Withheld: what was refused was refused before the first row was sent, and nothing was sent at all.
	Withheld bool
}

// Weighings is how the lines of weighings.csv went.
type Weighings struct {
	Total     int64 // lines of the file
	Stored    int64 // kept now
	Repeated  int64 // kept before, by this file or an earlier import
	Refused   int64
	Conflicts int64 // a reading's number was taken by another content
	Elapsed   time.Duration
}

// Done is how many lines were answered.
func (w Weighings) Done() int64 { return w.Stored + w.Repeated + w.Refused + w.Conflicts }

// AnyRefused tells whether a rule refused anything, a weighing in conflict included.
func (r *Report) AnyRefused() bool { return len(r.Refusals) > 0 }

// Done is how many rows were dealt with.
func (r *Report) Done() int { return r.Sent + r.Repeated + r.Refused + r.NotSent }

// RowsPerSecond is the rate of the rows that were answered, weighings apart; 0 where no time passed.
func (r *Report) RowsPerSecond() float64 {
	if r.Elapsed <= 0 {
		return 0
	}
	return float64(r.Sent+r.Repeated+r.Refused) / r.Elapsed.Seconds()
}

func (r *Report) sort() {
	slices.SortStableFunc(r.Refusals, func(a, b Refusal) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
	slices.SortStableFunc(r.Unsent, func(a, b Unsent) int {
		return cmp.Or(cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
}

// Progress is how far an import is; it is told after every answer, one call at a time.
type Progress struct {
	Tried                     int // rows tried before the first is sent; 0 in a plant that has recorded nothing
	Rows, TotalRows           int
	Weighings, TotalWeighings int64
	Refused                   int // rows and weighings refused, in conflict or not sent
}
