package verify

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// Difference is something that does not agree: want is what follows from the facts or from a rule, got what was found.
type Difference struct {
	Check   string // which of the package's checks
	Subject string // lot, run, event …
	Want    string
	Got     string
}

// Count is how many of something were compared.
type Count struct {
	Name string
	N    int64
}

// Report is the outcome of a verification.
type Report struct {
	Differences []Difference
	Compared    []Count
	// RoundingMicros is the largest bound that any single figure of a lot or run was compared with, in millionths of the currency unit.
	RoundingMicros int64
	// AsOf are the positions read, as "producer/epoch/position".
	AsOf []string
	// NotJudged are the tables of which Rows says nothing, each with the reason.
	NotJudged []string
}

// OK tells whether nothing differs.
func (r *Report) OK() bool { return len(r.Differences) == 0 }

func (r *Report) differ(check, subject string, want, got any) {
	r.Differences = append(r.Differences, Difference{Check: check, Subject: subject, Want: fmt.Sprint(want), Got: fmt.Sprint(got)})
}

// equal compares two figures of a thing and notes a difference.
func (r *Report) equal(check, subject string, want, got any) {
	if w, g := fmt.Sprint(want), fmt.Sprint(got); w != g {
		r.differ(check, subject, w, g)
	}
}

func (r *Report) count(name string, n int) {
	i := slices.IndexFunc(r.Compared, func(c Count) bool { return c.Name == name })
	if i < 0 {
		r.Compared = append(r.Compared, Count{Name: name})
		i = len(r.Compared) - 1
	}
	r.Compared[i].N += int64(n)
}

// Write prints the report for people: what was compared, then each difference on a line of its own.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	fmt.Fprintf(&b, "verified as of %s\n", strings.Join(r.AsOf, " "))
	for _, c := range r.Compared {
		fmt.Fprintf(&b, "%12d  %s\n", c.N, c.Name)
	}
	fmt.Fprintf(&b, "dollars compared within the rounding of the services, at most %d millionths for one figure\n", r.RoundingMicros)
	for _, t := range r.NotJudged {
		fmt.Fprintf(&b, "not judged: %s\n", t)
	}
	for _, d := range r.Differences {
		fmt.Fprintf(&b, "DIFFERENCE  %s  %s  want %s  got %s\n", d.Check, d.Subject, d.Want, d.Got)
	}
	if r.OK() {
		b.WriteString("no differences\n")
	} else {
		fmt.Fprintf(&b, "%d differences\n", len(r.Differences))
	}
	_, err := io.WriteString(w, b.String())
	return err
}
