// Package checker runs every invariant of the plant on its three databases, stopped or running, and names each row that breaks one.
//
//	report, err := checker.At(ctx, checker.Plant{Databases: map[string]string{"intake": url, "inventory": url, "production": url}})
//	if err != nil { … }            // the plant could not be read: nothing is said about it
//	if err := report.Err(); err != nil { … } // what does not hold, row by row
//
// It shares nothing with the services but contracts, weights and money: it reads the tables by its own SQL, each database in one read-only
// transaction that sees one moment, and recomputes what must hold by its own code and that of verify. On a running plant the heads are taken first;
// then it waits, bounded, until every consumer has what lay before them. A rule about several databases at rest is told to be
// not applicable where the plant did not come to rest, never passed over in silence.
package checker

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Plant says where a plant is and what is known about what it answered.
type Plant struct {
	// Databases has a connection string for each service ("intake", "inventory", "production") of a role that may read every table: the owner's or
	// the superuser's.
	Databases map[string]string
	// RunTime has connection strings of the run-time roles. A service without one is left out of the trial of its rights.
	RunTime map[string]string
	// Clients are the services' doors, with a token that may read all. Nil: rules about answers are not applicable.
	Clients *Clients
	// Journal is what was answered OK, in any order. Nil: rules about kept answers look at the databases alone.
	Journal []Answered
	// Stopped tells that no service runs, so that waiting for it is in vain and what is under way is no fault.
	Stopped bool
	// Wait bounds the wait for consumers to drain; 0 is 30 s.
	Wait time.Duration
}

// Clients are the three services as a caller sees them.
type Clients struct {
	Intake     intakev1.IntakeServiceClient
	Inventory  inventoryv1.InventoryServiceClient
	Production productionv1.ProductionServiceClient
}

// Answered is a command that was answered OK.
type Answered struct {
	Service   string // who answered
	CommandID string
	Method    string // full name of the request's message
	Digest    []byte // SHA-256 over method, a zero byte and the request's deterministic bytes, as the services keep it
	Answer    proto.Message
	Receipt   *eventv1.Receipt // of the answer; nil where it has none
}

// Finding is what came of one invariant.
type Finding struct {
	Name       string // in words
	Says       string // what must hold
	Violations []Violation
	Because    string // why it does not apply, or not wholly; empty: it was checked in full
	Applies    bool   // false: nothing was checked
	Checked    int    // how many things were looked at
}

// Violation is a row that breaks an invariant.
type Violation struct {
	Service string // whose database
	Row     string // table and key: "legs(movement=M-1 number=2)"
	Text    string // what is wrong
}

// Report is the outcome of all invariants, in their fixed order.
type Report struct {
	AsOf     []string // positions read, as "producer/epoch/position"
	AtRest   bool     // nothing was under way
	Findings []Finding
}

// Finding is the finding of an invariant's name; nil where there is none of the name.
func (r *Report) Finding(name string) *Finding {
	for i := range r.Findings {
		if r.Findings[i].Name == name {
			return &r.Findings[i]
		}
	}
	return nil
}

// maxTold keeps an error readable; the report has all.
const maxTold = 20

// Err is nil where nothing is violated, else names the violations, at most twenty of them.
func (r *Report) Err() error {
	var told []string
	n := 0
	for _, f := range r.Findings {
		for _, v := range f.Violations {
			if n++; n <= maxTold {
				told = append(told, fmt.Sprintf("%s: %s %s: %s", f.Name, v.Service, v.Row, v.Text))
			}
		}
	}
	if n == 0 {
		return nil
	}
	return errors.New(fmt.Sprintf("checker: %d violations as of %s\n", n, strings.Join(r.AsOf, " ")) + strings.Join(told, "\n"))
}

// Write prints the report for people: a line for each invariant, then its violations.
func (r *Report) Write(w io.Writer) error {
	var b strings.Builder
	rest := "at rest"
	if !r.AtRest {
		rest = "not at rest"
	}
	fmt.Fprintf(&b, "checked as of %s, %s\n", strings.Join(r.AsOf, " "), rest)
	for _, f := range r.Findings {
		state := "ok"
		switch {
		case len(f.Violations) > 0:
			state = fmt.Sprintf("BROKEN %d", len(f.Violations))
		case !f.Applies:
			state = "not applicable"
		}
		fmt.Fprintf(&b, "%-15s %-28s %8d  %s", state, f.Name, f.Checked, f.Says)
		if f.Because != "" {
			fmt.Fprintf(&b, " [%s]", f.Because)
		}
		b.WriteByte('\n')
		for _, v := range f.Violations {
			fmt.Fprintf(&b, "    %s %s: %s\n", v.Service, v.Row, v.Text)
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// At checks a plant. An error means that it could not be read.
func At(ctx context.Context, p Plant) (*Report, error) {
	s, err := look(ctx, p)
	if err != nil {
		return nil, err
	}
	r := &Report{AsOf: s.asOf, AtRest: s.atRest}
	for _, inv := range invariants() {
		f := Finding{Name: inv.name, Says: inv.says, Applies: true}
		inv.check(ctx, s, &f)
		r.Findings = append(r.Findings, f)
		if err := ctx.Err(); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func (f *Finding) broken(service, row, format string, args ...any) {
	f.Violations = append(f.Violations, Violation{service, row, fmt.Sprintf(format, args...)})
}

// leaves says that nothing was checked, and why.
func (f *Finding) leaves(format string, args ...any) {
	f.Applies, f.Because = false, fmt.Sprintf(format, args...)
}

// partly says what of the rule was not checked.
func (f *Finding) partly(format string, args ...any) {
	why := fmt.Sprintf(format, args...)
	if f.Because != "" && !strings.Contains(f.Because, why) {
		why = f.Because + "; " + why
	}
	f.Because = why
}
