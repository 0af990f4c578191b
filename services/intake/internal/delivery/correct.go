package delivery

import (
	"context"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/services/intake/internal/form"
)

// Correction is a delivery as it should have been recorded, with later uses that change with it.
type Correction struct {
	Command string
	Lot     lot.ID
	Facts   Facts // not looked at where Void
	Reason  string
	Void    bool // the delivery never was
	PayOnly bool // pay weight and cost only: the pounds in stock stay
	Uses    lot.Corrected
}

// Begin judges a correction and says what the inventory is to be asked; nil where it moves no stock and can be recorded at once. A lot whose
// correction the inventory is asked for is held until its answer.
func Begin(ctx context.Context, tx Tx, c Correction) (*lot.Corrected, error) {
	was, now, err := c.plan(ctx, tx, Facts.judge)
	if err != nil {
		return nil, err
	}
	uses := len(c.Uses.Runs) + len(c.Uses.Pours) + len(c.Uses.Adjustments) + len(c.Uses.Shipments)
	switch {
	case c.PayOnly && uses > 0:
		return nil, fault.Invalid("pay_only_with_uses", "delivery %s: a correction of pay weight and cost only takes no later uses with it", c.Lot)
	case !c.Void && uses == 0 && !moves(was.Facts, now.Facts):
		return nil, nil
	}
	if err := tx.Hold(ctx, c.Lot, was.HeldBy, c.Command); err != nil {
		return nil, err
	}
	set := c.Uses
	set.Correction, set.Reason, set.Deliveries = c.Command, c.Reason, []lot.DeliveryCorrected{now.corrected(was)}
	return &set, nil
}

// Accepted records a correction that Begin has judged: the inventory has taken it, or has no part in it. It is not judged again, since what a party
// may be has perhaps changed meanwhile. It returns the version made.
func Accepted(ctx context.Context, tx Tx, c Correction) (int64, []lot.Event, error) {
	was, now, err := c.plan(ctx, tx, Facts.made)
	if err != nil {
		return 0, nil, err
	}
	if err := tx.SaveVersion(ctx, now); err != nil {
		return 0, nil, err
	}
	events := []lot.Event{{Lots: []lot.ID{c.Lot}, Effective: now.Effective, Body: now.corrected(was)}}
	if c.Void || was.Pay == now.Pay {
		return now.Version, events, nil
	}
	again, err := tx.Resettle(ctx, c.Lot, now.Version, now.Purchase)
	for _, s := range again {
		events = append(events, lot.Event{Lots: []lot.ID{c.Lot}, Effective: s.At, Body: s.PriceSettled})
	}
	return now.Version, events, err
}

// Refused lets a lot go whose correction the inventory refused to a command.
func Refused(ctx context.Context, tx Tx, id lot.ID, command string) error {
	return tx.Hold(ctx, id, command, "")
}

// plan is the delivery as it stands and as it is to stand, made of its facts. It comes out the same before and after the inventory was asked, since
// the lot is held.
func (c Correction) plan(ctx context.Context, tx Tx, state func(Facts, Known) (State, error)) (was, now State, err error) {
	if err := form.Text("reason", c.Reason, maxText); err != nil {
		return was, now, err
	}
	have, err := tx.Received(ctx, c.Lot)
	if err != nil {
		return was, now, err
	}
	if err := c.allowed(have); err != nil {
		return was, now, err
	}
	was, now = *have, *have
	if !c.Void {
		f := c.Facts
		f.Lot = c.Lot
		known, err := tx.Known(ctx, f.want())
		if err != nil {
			return was, now, err
		}
		if now, err = state(f, known); err != nil {
			return was, now, err
		}
		now.Facts.Lot, now.Facts.SupplierLot = c.Lot, was.Facts.SupplierLot
		now.Effective, now.HeldBy, now.Bought = was.Effective, was.HeldBy, was.Bought
	}
	now.Version, now.Voided, now.Command, now.Reason = was.Version+1, c.Void, c.Command, c.Reason
	if c.PayOnly {
		err = now.payOnly(was)
	}
	return was, now, err
}

func (c Correction) allowed(have *State) error {
	switch {
	case have == nil:
		return fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", c.Lot)
	case have.Voided:
		return fault.Precondition("delivery_voided", "lot %s: the delivery was voided, it stays so", c.Lot)
	case have.Bought:
		return fault.Precondition("delivery_bought", "lot %s: title to it passed by a purchase, which rests on the delivery as it was", c.Lot)
	case have.HeldBy != "" && have.HeldBy != c.Command:
		return fault.Unavailable("delivery_held", "lot %s: another command waits for the inventory's answer about it; come again", c.Lot)
	case !c.Void && have.Facts.Source != lot.Delivery:
		return fault.Precondition("delivery_expected", "lot %s: it is a bought ingredient; void it and receive it again", c.Lot)
	case !c.Void && c.Facts.Lot != "" && c.Facts.Lot != c.Lot:
		return fault.Invalid("lot_changed", "lot %s: a correction cannot give it the code %s", c.Lot, c.Facts.Lot)
	}
	return nil
}

// payOnly keeps what is in stock: what the weighings say is then paid for, unless the pay weight itself is given.
func (s *State) payOnly(was State) error {
	a, b := was.Facts, s.Facts
	if a.Item != b.Item || a.Party != b.Party || a.Ownership != b.Ownership || a.Place != b.Place {
		return fault.Invalid("pay_only_moves_stock", "lot %s: a correction of pay weight and cost only keeps item, party, ownership and place", a.Lot)
	}
	s.Facts.Quantity, s.Facts.Gross, s.Facts.Tare = a.Quantity, a.Gross, a.Tare
	s.Facts.Visit, s.Facts.VisitLine, s.Facts.Draft = a.Visit, a.VisitLine, a.Draft
	if s.Facts.Price == nil {
		return nil
	}
	return s.Priceable()
}

// moves tells whether stock is another than before.
func moves(was, now lot.Received) bool {
	return was.Quantity != now.Quantity || was.Item != now.Item || was.Party != now.Party || was.Ownership != now.Ownership ||
		was.Owner != now.Owner || was.Place != now.Place
}

// corrected is the new version as it is said.
func (s State) corrected(was State) lot.DeliveryCorrected {
	d := lot.DeliveryCorrected{Version: s.Version, Voided: s.Voided, Reason: s.Reason, Now: s.Facts}
	if !s.Voided && s.Facts.Quantity == was.Facts.Quantity {
		d.ReceivingVariance = s.Pay - s.Facts.Quantity
	}
	return d
}

// Heard writes the new version of a delivery that was corrected in a set which did not start here. The inventory has accepted it, so it is
// not judged; one that does not follow what stands here is a fault of the records.
func Heard(ctx context.Context, tx Tx, set lot.Corrected, d lot.DeliveryCorrected) error {
	have, err := tx.Received(ctx, d.Now.Lot)
	switch {
	case err != nil:
		return err
	case have == nil:
		return fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", d.Now.Lot)
	case have.HeldBy == set.Correction || have.Command == set.Correction || d.Version < have.Version:
		return nil // it started here: its outcome is, or will be, recorded by the command itself
	case d.Version != have.Version+1:
		return fault.Conflict("delivery_version", "lot %s: version %d does not follow version %d", d.Now.Lot, d.Version, have.Version)
	}
	return tx.SaveVersion(ctx, have.as(d, set.Correction))
}

// Retell writes a version again that was said before this service's database went back to an earlier moment. Single weighings are not told by
// events; those that are there stay with the lot unless what they add up to is corrected.
func Retell(ctx context.Context, tx Tx, d lot.DeliveryCorrected, command string) error {
	have, err := tx.Received(ctx, d.Now.Lot)
	switch {
	case err != nil:
		return err
	case have == nil:
		return fault.NotFound("lot_unknown", "lot %s: nothing came in under this code", d.Now.Lot)
	case d.Version != have.Version+1:
		return fault.Conflict("delivery_version", "lot %s: version %d does not follow version %d", d.Now.Lot, d.Version, have.Version)
	}
	now := have.as(d, command)
	if now.Facts.Gross != have.Facts.Gross || now.Facts.Tare != have.Facts.Tare {
		now.Weighings = nil
	}
	return tx.SaveVersion(ctx, now)
}

// as is the next version, as it was told.
func (s State) as(d lot.DeliveryCorrected, command string) State {
	s.Facts, s.Version, s.Voided, s.Reason, s.Command = d.Now, d.Version, d.Voided, d.Reason, command
	s.Pay = d.Now.Quantity + d.ReceivingVariance
	return s
}
