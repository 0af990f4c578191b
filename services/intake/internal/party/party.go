// Package party keeps those whom goods come from and go to: sellers, custom clients, customers, suppliers, the own orchards.
package party

import (
	"context"
	"slices"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// The longest texts of a party.
const (
	maxName    = 500
	maxAddress = 1000
	maxPhone   = 100
)

// Tx is what parties need of a transaction.
type Tx interface {
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// SaveParty adds a version of a party, which stands from now on; the earlier ones are kept.
	SaveParty(ctx context.Context, p lot.PartyChanged) error
}

// Register adds a party or changes it from now on.
func Register(ctx context.Context, tx Tx, p lot.PartyChanged) ([]lot.Event, error) {
	if err := judge(p); err != nil {
		return nil, err
	}
	if err := tx.SaveParty(ctx, p); err != nil {
		return nil, err
	}
	return []lot.Event{{Effective: tx.Now(), Body: p}}, nil
}

func judge(p lot.PartyChanged) error {
	if err := form.Code("party", string(p.Party)); err != nil {
		return err
	}
	for _, text := range []struct {
		field, value string
		most         int
	}{{"name", p.Name, maxName}, {"address", p.Address, maxAddress}, {"phone", p.Phone, maxPhone}} {
		if err := form.Text("party "+string(p.Party)+", "+text.field, text.value, text.most); err != nil {
			return err
		}
	}
	if len(p.Roles) == 0 {
		return fault.Invalid("party_role_missing", "party %s: it has no role; seller, custom client, customer, supplier or own orchard", p.Party)
	}
	for i, r := range p.Roles {
		if slices.Contains(p.Roles[:i], r) {
			return fault.Invalid("party_role_repeated", "party %s: a role is given twice", p.Party)
		}
	}
	return nil
}
