package seasonimport

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"huskline/services/huskline/internal/seasonfile"
)

// Refusal is rows that a rule refused, or that were not sent because they rest on such rows.
type Refusal struct {
	seasonfile.Where
	What    string // "delivery D-00001"
	Reason  string // the rule's stable name
	Message string // the rule, the value and the limit
	NotSent bool   // it rests on a refused row and was not sent
}

// String is the refusal on one line.
func (r Refusal) String() string {
	return fmt.Sprintf("%s: %s: %s (%s)", r.Where, r.What, r.Message, r.Reason)
}

// notSent is the reason of a row that rests on a refused one.
const notSent = "rests_on_refused"

// Report is how an import went. Rows are those of the CSV files, weighings apart.
type Report struct {
	Total    int // rows of the folder
	Sent     int // accepted now
	Repeated int // accepted by an earlier import, recognised by their ids
	Refused  int // refused by a rule
	NotSent  int // resting on a refused row

	Elapsed time.Duration // of the rows, weighings apart

	Weighings Weighings
	Refusals  []Refusal // by file and line
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
}

// Progress is how far an import is; it is told after every answer, one call at a time.
type Progress struct {
	Rows, TotalRows           int
	Weighings, TotalWeighings int64
	Refused                   int // rows and weighings refused, in conflict or not sent
}
