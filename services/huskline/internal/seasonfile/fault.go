package seasonfile

import (
	"cmp"
	"fmt"
	"slices"

	"huskline/internal/fault"
)

// Where is the place of a row: its file and the line on which it begins, counted from 1 with the header row.
type Where struct {
	File string
	Line int
}

// String prints the place as editors do: "deliveries.csv:12".
func (w Where) String() string {
	if w.Line == 0 {
		return w.File
	}
	return fmt.Sprintf("%s:%d", w.File, w.Line)
}

// Fault is one thing that is wrong with a folder.
type Fault struct {
	Where         // line 0 where the whole file is meant
	Field  string // the column; empty where the row as a whole is meant
	Rule   string // the rule's stable name
	Detail string // what stands there, the rule in words and its limit
}

// String is the fault on one line: place, field, what is wrong, name of the rule.
func (f Fault) String() string {
	if f.Field == "" {
		return fmt.Sprintf("%s: %s (%s)", f.Where, f.Detail, f.Rule)
	}
	return fmt.Sprintf("%s: %s: %s (%s)", f.Where, f.Field, f.Detail, f.Rule)
}

// Faults is all that is wrong with a folder: Count is exact, Listed holds the first of them up to the limit given, by file and line.
type Faults struct {
	Count  int
	Listed []Fault

	limit int
}

// Any tells whether there is a fault at all.
func (f *Faults) Any() bool { return f.Count > 0 }

// Err is nil without faults, else a refusal that tells how many there are and shows the first.
func (f *Faults) Err() error {
	if !f.Any() {
		return nil
	}
	return fault.Invalid("season_faults", "season folder: %d faults, nothing was sent; the first: %s", f.Count, f.Listed[0])
}

func (f *Faults) add(at Where, field, rule, format string, args ...any) {
	f.Count++
	if len(f.Listed) < f.limit {
		f.Listed = append(f.Listed, Fault{Where: at, Field: field, Rule: rule, Detail: fmt.Sprintf(format, args...)})
	}
}

// addErr lists an error of a value's own parser under the parser's rule name.
func (f *Faults) addErr(at Where, field string, err error) {
	rule := fault.ReasonOf(err)
	if rule == "" {
		rule = "malformed"
	}
	f.add(at, field, rule, "%s", err.Error())
}

// sort puts the listed faults by file in the order of the folder's schema, then line; of one line they stay as found.
func (f *Faults) sort() {
	slices.SortStableFunc(f.Listed, func(a, b Fault) int {
		return cmp.Or(cmp.Compare(fileOrder(a.File), fileOrder(b.File)), cmp.Compare(a.File, b.File), cmp.Compare(a.Line, b.Line))
	})
}
