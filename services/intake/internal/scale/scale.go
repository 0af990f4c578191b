// Package scale keeps the weighing devices. Huskline supports the sealed scale and the weighmaster and replaces neither.
package scale

import (
	"context"
	"time"

	"huskline/internal/fault"
	"huskline/internal/weight"
	"huskline/services/intake/internal/form"
)

// Scale is a weighing device as it stands.
type Scale struct {
	Code      string
	Class     string      // by its marking, "III" or "III L"; empty where unknown
	Capacity  weight.Mass // largest load; 0 where unknown: then it has no limit here
	Division  weight.Mass // 0 where unknown
	Place     string
	InService bool
	Sealed    time.Time // until when the seal holds; zero where unknown
}

// Limitless tells whether nothing is known that a reading could be measured by.
func (s Scale) Limitless() bool { return s.Capacity == 0 && s.Division == 0 }

// State is a scale with the state of its feed.
type State struct {
	Scale
	Watermark int64 // highest sequence answered without gap
	Stored    int64
	Conflicts int64
}

// Tx is what scales need of a transaction.
type Tx interface {
	// SaveScale adds a version of a scale, which stands from now on; the earlier ones are kept.
	SaveScale(ctx context.Context, s Scale) error
}

// maxClass is the length of the longest marking.
const maxClass = 16

// Register adds a scale or changes it from now on. It says no event: what a scale is concerns its own readings alone.
func Register(ctx context.Context, tx Tx, s Scale) error {
	if err := form.Code("scale", s.Code); err != nil {
		return err
	}
	if err := form.Text("scale "+s.Code+", accuracy class", s.Class, maxClass); err != nil {
		return err
	}
	if s.Capacity < 0 || s.Division < 0 || s.Capacity > 0 && s.Division > s.Capacity {
		return fault.Invalid("scale_figures", "scale %s: capacity %s lb, division %s lb: neither is below zero, and no division above the capacity", s.Code,
			s.Capacity, s.Division)
	}
	return tx.SaveScale(ctx, s)
}
