package stock

import (
	"context"
	"strings"

	"huskline/internal/fault"
)

// InUse makes the refusal of an order one that says that its number is in use, where it is: that stands whatever else is mended.
func InUse(ctx context.Context, tx Tx, fact string, err error) error {
	if err == nil || !fault.Refused(err) || fault.KindOf(err) == fault.KindConflict {
		return err
	}
	legs, lookErr := tx.FactLegs(ctx, []string{fact})
	if lookErr != nil || len(legs) == 0 {
		return err
	}
	return fault.Conflict("fact_known", "%s: this number is in use already", strings.Replace(fact, "/", " ", 1))
}
