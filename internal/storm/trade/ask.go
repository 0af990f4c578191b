package trade

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/encoding/prototext"

	"huskline/internal/fault"
	"huskline/internal/lotwire"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Event reads one event of intake, as it keeps it.
func (t *Trader) Event(ctx context.Context, epoch, position int64) (*eventv1.Envelope, error) {
	ctx, cancel := context.WithTimeout(ctx, tryLimit)
	defer cancel()
	s, err := t.clients.Intake.ReadEvents(ctx, &intakev1.ReadEventsRequest{Epoch: epoch, AfterPosition: position - 1, Limit: 1})
	if err != nil {
		return nil, err
	}
	page, err := s.Recv()
	if errors.Is(err, io.EOF) || err == nil && len(page.GetEnvelopes()) == 0 {
		return nil, fmt.Errorf("intake has no event at %d/%d", epoch, position)
	}
	if err != nil {
		return nil, err
	}
	return page.GetEnvelopes()[0], nil
}

// DrillNow asks for a recall drill that relies on nothing: as inventory stands now. An answer that names nothing as missing must state a position of
// each producer.
func (c *Clients) DrillNow(ctx context.Context, lot string) (missing bool, err error) {
	ctx, cancel := context.WithTimeout(ctx, tryLimit)
	defer cancel()
	answer, err := c.Inventory.Drill(ctx, &inventoryv1.DrillRequest{Lot: lot})
	err = rpc.FromStatus(err)
	switch {
	case fault.KindOf(err) == fault.KindNotFound || fault.KindOf(err) == fault.KindUnavailable:
		return true, nil // it says that it does not know
	case err != nil:
		return false, err
	case len(answer.GetMissing()) > 0:
		return true, nil
	}
	for _, producer := range []string{"intake", "inventory", "production"} {
		if !slices.ContainsFunc(answer.GetAsOf(), func(r *eventv1.Receipt) bool { return r.GetProducer() == producer }) {
			return false, fmt.Errorf("drill of %s: nothing is missing, and no position of %s is stated", answer.GetLot(), producer)
		}
	}
	return false, nil
}

const askMost = 6

// Answers asks drills, origins and costs of some lots as of now, and remembers the questions with the positions of their answers.
func (t *Trader) Answers(ctx context.Context) ([]string, error) {
	t.model.Lock()
	defer t.model.Unlock()
	t.asked = nil
	for _, g := range t.lots[:min(askMost, len(t.lots))] {
		now, err := read(ctx, t, t.clients.Inventory.Drill, &inventoryv1.DrillRequest{Lot: g.lot})
		if err != nil {
			return nil, err
		}
		t.asked = append(t.asked, question{lot: g.lot, asOf: now.GetAsOf()})
	}
	return t.answers(ctx)
}

// AnswersAgain asks the same questions as of the same positions.
func (t *Trader) AnswersAgain(ctx context.Context) ([]string, error) {
	t.model.Lock()
	defer t.model.Unlock()
	return t.answers(ctx)
}

// question is a lot and the positions as of which it is asked for.
type question struct {
	lot  string
	asOf []*eventv1.Receipt
}

func (t *Trader) answers(ctx context.Context) ([]string, error) {
	var out []string
	for _, q := range t.asked {
		drill, err := read(ctx, t, t.clients.Inventory.Drill, &inventoryv1.DrillRequest{Lot: q.lot, AsOf: q.asOf})
		if err != nil {
			return nil, err
		}
		origins, err := read(ctx, t, t.clients.Inventory.Origins, &inventoryv1.OriginsRequest{Lot: q.lot, AsOf: q.asOf})
		if err != nil {
			return nil, err
		}
		cost, err := read(ctx, t, t.clients.Production.GetLotCost, &productionv1.GetLotCostRequest{Lot: q.lot, AsOf: q.asOf})
		if err != nil {
			return nil, err
		}
		out = append(out, prototext.Format(drill), prototext.Format(origins), prototext.Format(cost))
	}
	return out, nil
}

// Party registers a party anew: one event, as fast as may be.
func (t *Trader) Party(ctx context.Context) error {
	id := t.id()
	req := &intakev1.RegisterPartyRequest{CommandId: id, Party: &eventv1.PartyChanged{
		Party: "P-" + t.name, Name: "Party", Roles: []eventv1.PartyRole{eventv1.PartyRole_PARTY_ROLE_CUSTOMER}, Address: fmt.Sprintf("%d Grove Road", t.step), Phone: "555-0100",
	}}
	_, err := send(ctx, t, t.clients.Intake.RegisterParty, req)
	return err
}

// Lead does what leads a service through all that it does for others: at intake a delivery and its correction, at inventory a delivery and its
// move, at production a delivery and a run of it.
func (t *Trader) Lead(ctx context.Context, service string) {
	t.model.Lock()
	defer t.model.Unlock()
	then := map[string]func(context.Context) error{"intake": t.correct, "inventory": t.move, "production": t.run}[service]
	for _, do := range []func(context.Context) error{t.deliver, then} {
		if err := do(ctx); err != nil {
			if ctx.Err() == nil {
				t.journal.wrong("%s: %v", t.name, err)
			}
			return
		}
	}
}

// spreadLimit is how long a safety hold may take to reach what was made of its lot.
const spreadLimit = 10 * time.Second

// Race makes a lot of kernel, and holds it at the moment at which other, who works for the same trader, ships from it or uses it up. The hold wins:
// what was shipped was so before it, and what was made of the lot is held as well.
func (t *Trader) Race(ctx context.Context, other *Trader) error {
	t.model.Lock()
	defer t.model.Unlock()
	if err := t.deliver(ctx); err != nil {
		return err
	}
	d := t.lots[len(t.lots)-1]
	other.Rely(t.receipts()...)
	other.minute = max(other.minute, t.minute)
	placed := make(chan *inventoryv1.PlaceHoldResponse, 1)
	failed := make(chan error, 1)
	wait := time.Duration(t.rng.IntN(20)) * time.Millisecond
	hold := &inventoryv1.PlaceHoldRequest{
		CommandId: t.id(), Hold: t.code("H"), Lot: d.lot, Class: eventv1.HoldClass_HOLD_CLASS_SAFETY, Reason: "positive test", Effective: t.now(),
	}
	go func() {
		time.Sleep(wait)
		answer, err := send(ctx, t, t.clients.Inventory.PlaceHold, hold)
		placed <- answer
		failed <- err
	}()
	err := other.against(ctx, d, placed)
	if e := <-failed; e != nil {
		return fmt.Errorf("hold of %s: %w", d.lot, e)
	}
	if err != nil {
		return err
	}
	_, err = send(ctx, t, t.clients.Inventory.ReleaseHold, &inventoryv1.ReleaseHoldRequest{CommandId: t.id(), Hold: hold.GetHold(), Reason: "negative retest"})
	return err
}

// against ships a part of a lot that is being held, or runs it.
func (t *Trader) against(ctx context.Context, d *goods, placed <-chan *inventoryv1.PlaceHoldResponse) error {
	if t.rng.IntN(2) == 0 {
		quantity := lb(1 + t.rng.Int64N(50))
		answer, err := send(ctx, t, t.clients.Inventory.ShipGoods, t.sale(d, quantity))
		hold := <-placed
		if err != nil {
			return onlyHeld(err)
		}
		d.held -= quantity
		if at, held := lotwire.ParseReceipt(answer.GetReceipt()), lotwire.ParseReceipt(hold.GetReceipt()); later(at, held) {
			return fmt.Errorf("lot %s was shipped at %d, after its hold at %d", d.lot, at.Position, held.Position)
		}
		return nil
	}
	id, in := t.id(), lb(50)
	code := t.code("R")
	_, err := send(ctx, t, t.clients.Production.RecordRun, &productionv1.RecordRunRequest{CommandId: id, Run: &productionv1.RunFacts{
		Run: code, Stage: stage, Start: t.now(), End: t.now(), Inputs: []*productionv1.InputLine{{Lot: d.lot, Quantity: in}},
		Outputs: []*productionv1.OutputLine{{Lot: code + "-K", Item: kernel, Quantity: lb(25), Role: eventv1.OutputRole_OUTPUT_ROLE_MAIN}},
	}})
	hold := <-placed
	if err != nil {
		return onlyHeld(err)
	}
	d.held -= in
	began := time.Now()
	for {
		answer, err := read(ctx, t, t.clients.Inventory.GetLot, &inventoryv1.GetLotRequest{Lot: code + "-K"})
		if err != nil {
			return err
		}
		if slices.Contains(answer.GetLot().GetHolds(), hold.GetHold()) {
			return nil
		}
		if time.Since(began) > spreadLimit {
			return fmt.Errorf("lot %s was made of %s, which %s holds, and is not held after %v", code+"-K", d.lot, hold.GetHold(), spreadLimit)
		}
		time.Sleep(50 * time.Millisecond)
	}
}

// onlyHeld keeps a refusal because of the hold from being a failure.
func onlyHeld(err error) error {
	if fault.ReasonOf(err) == "lot_held" {
		return nil
	}
	return err
}

// Reading is one small read, for whoever measures how long that takes.
func (c *Clients) Reading(ctx context.Context) (time.Duration, error) {
	ctx, cancel := context.WithTimeout(ctx, tryLimit)
	defer cancel()
	began := time.Now()
	_, err := c.Intake.ListItems(ctx, &intakev1.ListItemsRequest{PageSize: 1})
	return time.Since(began), rpc.FromStatus(err)
}

// TooMuch calls with what no service may take: a message over its limit, and too many readings in one. It returns what was not refused.
func (c *Clients) TooMuch(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 4*tryLimit)
	defer cancel()
	long := make([]byte, 6<<20)
	for i := range long {
		long[i] = 'x'
	}
	readings := make([]*intakev1.Reading, 100_000)
	for i := range readings {
		readings[i] = &intakev1.Reading{Scale: "S-TOO-MANY", Sequence: int64(i + 1), Digits: "1", Unit: "LBR"}
	}
	for what, req := range map[string]*intakev1.PostReadingsRequest{
		"6 MiB":            {CommandId: "00000000-0000-4000-8000-000000000001", Readings: []*intakev1.Reading{{Scale: string(long)}}},
		"100,000 readings": {CommandId: "00000000-0000-4000-8000-000000000002", Readings: readings},
	} {
		if _, err := c.Intake.PostReadings(ctx, req, grpc.WaitForReady(true)); err == nil {
			return fmt.Errorf("a message of %s was taken", what)
		}
	}
	return nil
}

// Streams opens streams of readings, sends nothing on them, and cancels them again, so many times.
func (c *Clients) Streams(ctx context.Context, n int) {
	for range n {
		short, cancel := context.WithCancel(ctx)
		if s, err := c.Intake.StreamReadings(short); err == nil {
			_ = s.CloseSend()
		}
		cancel()
	}
}
