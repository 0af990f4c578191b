// Package reckon is intake's small exact calculators: shares, moisture, prices, sizes, scales and assessments, as typed functions for the service
// and, by name, as functions from JSON to JSON for the program. Every table of a standard carries its edition, since the editions differ.
package reckon

import (
	"encoding/json"

	"huskline/internal/exact"
)

// Calculators are the functions by the name they are called by.
func Calculators() map[string]func(json.RawMessage) (any, error) {
	return map[string]func(json.RawMessage) (any, error){
		"apportion":       exact.Calculator(Apportion),
		"shrink":          exact.Calculator(Shrink),
		"landed":          exact.Calculator(Landed),
		"break-even":      exact.Calculator(BreakEven),
		"point-price":     exact.Calculator(PointPrice),
		"size-class":      exact.Calculator(SizeClass),
		"count-tolerance": exact.Calculator(CountTolerance),
		"scale-tolerance": exact.Calculator(ScaleTolerance),
		"assessment":      exact.Calculator(Assessment),
		"adjusted-kernel": exact.Calculator(AdjustedKernel),
	}
}
