package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"

	"huskline/internal/snapshot"
	"huskline/internal/verify"
)

type verifyCmd struct {
	Database []string `help:"Judge every stored row of a service's database instead of asking the services; once for each service, as a role that may read all tables." placeholder:"SERVICE=URL" sep:"none"`
}

// Run recomputes everything from the facts; any difference is a failure that the report names. With databases given it reads them alone, so that it
// can also be run where no service does.
func (c *verifyCmd) Run(s *session) error {
	report, err := c.report(s)
	if err != nil {
		return err
	}
	if err := s.print(answer{object: verifyOf(report), sheets: verifySheets(report)}); err != nil {
		return err
	}
	if !report.OK() {
		return errors.New("verify: differences found")
	}
	return nil
}

func (c *verifyCmd) report(s *session) (*verify.Report, error) {
	if len(c.Database) > 0 {
		return c.stored(s)
	}
	p, err := s.dial()
	if err != nil {
		return nil, err
	}
	defer p.close()
	return verify.Run(s.ctx, verify.Services{Intake: p.intake, Inventory: p.inventory, Production: p.production})
}

// stored judges the rows of the databases and what they derive from their events.
func (c *verifyCmd) stored(s *session) (*verify.Report, error) {
	urls := map[string]string{}
	for _, text := range c.Database {
		name, url, ok := strings.Cut(text, "=")
		if !ok || url == "" || !slices.Contains(serviceNames(), name) {
			return nil, usageError{fmt.Errorf("--database %s: it reads SERVICE=URL, SERVICE being one of %s", name, strings.Join(serviceNames(), ", "))}
		}
		urls[name] = url
	}
	var dbs []*snapshot.Database
	for _, name := range serviceNames() {
		if urls[name] == "" {
			return nil, usageError{fmt.Errorf("--database: the database of %s is missing; what one service kept of another is held against that one's own", name)}
		}
		d, err := snapshot.Read(s.ctx, urls[name], name)
		if err != nil {
			return nil, err
		}
		dbs = append(dbs, d)
	}
	report, fold := verify.Rows(dbs), verify.Fold(dbs)
	report.Differences = append(report.Differences, fold.Differences...)
	report.Compared = append(report.Compared, fold.Compared...)
	return report, nil
}

// verifyObject is a verification as programs read it.
type verifyObject struct {
	Differences []differenceObject `json:"differences"`
	Compared    map[string]int64   `json:"compared"`
	Rounding    json.Number        `json:"largest_rounding_bound"` // dollars that a single answered cost may differ from the exact ratio
	AsOf        []string           `json:"as_of"`
	NotJudged   []string           `json:"not_judged"` // tables of which nothing is said, with the reason
}

type differenceObject struct {
	Check   string `json:"check"`
	Subject string `json:"subject"`
	Want    string `json:"from_the_facts"`
	Got     string `json:"answered"`
}

func verifyOf(r *verify.Report) verifyObject {
	o := verifyObject{Differences: []differenceObject{}, Compared: map[string]int64{}, Rounding: exact(r.RoundingMicros), AsOf: orEmpty(r.AsOf),
		NotJudged: orEmpty(r.NotJudged)}
	for _, d := range r.Differences {
		o.Differences = append(o.Differences, differenceObject{d.Check, d.Subject, d.Want, d.Got})
	}
	for _, c := range r.Compared {
		o.Compared[c.Name] = c.N
	}
	return o
}

func verifySheets(r *verify.Report) []sheet {
	counts := sheet{title: "VERIFY: recomputed from the facts", columns: []string{"compared", "how many"}, numeric: numericColumns("how many")}
	for _, c := range r.Compared {
		counts.rows = append(counts.rows, []string{c.Name, itoa(c.N)})
	}
	differences := sheet{title: fmt.Sprintf("Differences: %d", len(r.Differences)), columns: []string{"check", "subject", "from the facts", "answered"}}
	if len(r.Differences) > 0 {
		for _, d := range r.Differences {
			differences.rows = append(differences.rows, []string{d.Check, d.Subject, d.Want, d.Got})
		}
	}
	sheets := []sheet{counts, differences}
	if len(r.NotJudged) > 0 {
		left := sheet{title: "Tables not judged", columns: []string{"table", "why"}}
		for _, t := range r.NotJudged {
			table, why, _ := strings.Cut(t, ": ")
			left.rows = append(left.rows, []string{table, why})
		}
		sheets = append(sheets, left)
	}
	return sheets
}
