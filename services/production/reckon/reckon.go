// Package reckon is production's small exact calculators: joint and process cost, variances and lower of cost, as typed functions for the
// service and, by name, as functions from JSON to JSON for the program.
package reckon

import (
	"encoding/json"

	"huskline/internal/exact"
)

// Calculators are the functions by the name they are called by.
func Calculators() map[string]func(json.RawMessage) (any, error) {
	return map[string]func(json.RawMessage) (any, error){
		"joint-cost":     exact.Calculator(JointCost),
		"process-cost":   exact.Calculator(ProcessCost),
		"mix-yield":      exact.Calculator(MixYield),
		"fixed-overhead": exact.Calculator(FixedOverhead),
		"lower-of-cost":  exact.Calculator(LowerOfCost),
	}
}
