package main

import (
	"errors"
	"fmt"

	"huskline/services/huskline/internal/verify"
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
	if err := s.print(answer{object: report, sheets: verifySheets(report)}); err != nil {
		return err
	}
	if !report.OK() {
		return errors.New("verify: differences found")
	}
	return nil
}

func verifySheets(r *verify.Report) []sheet {
	counts := sheet{title: "VERIFY: recomputed from the facts", columns: []string{"compared", "how many"}, numeric: numericColumns("how many")}
	for _, c := range r.Compared {
		counts.rows = append(counts.rows, []string{c.Name, itoa(c.N)})
	}
	differences := sheet{title: fmt.Sprintf("Differences: %d", len(r.Differences))}
	if len(r.Differences) > 0 {
		differences.columns = []string{"check", "subject", "from the facts", "answered"}
		for _, d := range r.Differences {
			differences.rows = append(differences.rows, []string{d.Check, d.Subject, d.Want, d.Got})
		}
	}
	return []sheet{counts, differences}
}
