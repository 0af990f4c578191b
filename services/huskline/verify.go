package main

import (
	"encoding/json"
	"errors"
	"fmt"

	"huskline/internal/verify"
)

type verifyCmd struct{}

// Run recomputes everything from the facts; any difference is a failure that the report names.
func (c *verifyCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	report, err := verify.Run(s.ctx, verify.Services{Intake: p.intake, Inventory: p.inventory, Production: p.production})
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

// verifyObject is a verification as programs read it.
type verifyObject struct {
	Differences []differenceObject `json:"differences"`
	Compared    map[string]int64   `json:"compared"`
	Rounding    json.Number        `json:"largest_rounding_bound"` // dollars that a single answered cost may differ from the exact ratio
	AsOf        []string           `json:"as_of"`
}

type differenceObject struct {
	Check   string `json:"check"`
	Subject string `json:"subject"`
	Want    string `json:"from_the_facts"`
	Got     string `json:"answered"`
}

func verifyOf(r *verify.Report) verifyObject {
	o := verifyObject{Differences: []differenceObject{}, Compared: map[string]int64{}, Rounding: exact(r.RoundingMicros), AsOf: orEmpty(r.AsOf)}
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
	return []sheet{counts, differences}
}
