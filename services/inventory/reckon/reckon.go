// Package reckon is inventory's small exact calculators: recall effectiveness checks, batch dispersion and GS1 identifiers, as typed functions for
// the service and, by name, as functions from JSON to JSON for the program.
package reckon

import (
	"encoding/json"

	"huskline/internal/exact"
)

// Calculators are the functions by the name they are called by.
func Calculators() map[string]func(json.RawMessage) (any, error) {
	return map[string]func(json.RawMessage) (any, error){
		"effectiveness": exact.Calculator(Effectiveness),
		"dispersion":    exact.Calculator(Dispersion),
		"gs1":           exact.Calculator(GS1),
	}
}
