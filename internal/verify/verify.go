// Package verify recomputes stock, genealogy, holds, cost and the hash chains from the facts, and names every difference from what the
// services answer.
//
// It shares no code with the services: of this module it knows the contracts, weight and money. It reads all events of all producers from
// the first position on, proves the chains, folds the payloads with rules written a second time, in exact fractions where the services
// keep millionths, and then asks the services for the same things.
//
// Checks made on the facts alone:
//
//   - chain: positions are dense, each hash is the SHA-256 that the contract describes, each event follows the one before it, the last one
//     is the head the service states, and the type beside the payload is the payload's own
//   - stock: no lot is below zero at any moment at any place, every lot that is used was born, and born once
//   - owner: nuts of different owners meet in no run and no bin, and leave to nobody but their owner
//   - trace: no lot is made from itself, no run takes in what was made from its own outputs
//   - hold: every lot made from one under a safety hold is under that hold, or quality excluded it with a reason
//   - price, charge, net: money lines are quantity x price by the stated rounding; net is gross less tare
//   - run: what production said of a run's pounds is what inventory posted
//   - weight, money: what came in is what is there, went out or was lost, exactly
//   - quarantine: no service has set an event aside
//
// Compared with answers: lots and their balances, drills, origins, holds, lot costs, run costs, the plant's totals, the weigh feed's totals.
// Weights must be equal. Dollars may differ by rounding: the services round each withdrawal, line and share to a millionth, so the largest
// difference that rounding can make is carried along with every exact figure and is the bound of its comparison.
package verify

import (
	"context"
	"fmt"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Services are the three doors to ask.
type Services struct {
	Intake     intakev1.IntakeServiceClient
	Inventory  inventoryv1.InventoryServiceClient
	Production productionv1.ProductionServiceClient
}

// rounds is how often the whole is read again because somebody wrote meanwhile.
const rounds = 3

// Run verifies everything once. Differences are in the report, so is what a service did not answer; an error means that its events could not be
// read, or that ctx ended. When somebody writes while it
// reads, it starts again, and says so in the report when that does not end.
func Run(ctx context.Context, s Services) (*Report, error) {
	for round := 1; ; round++ {
		r, chains, err := once(ctx, s)
		if err != nil {
			return nil, err
		}
		still, err := unmoved(ctx, s, chains)
		if err != nil {
			return nil, err
		}
		if still {
			return r, nil
		}
		if round == rounds {
			r.differ("read", "all services", "no writes meanwhile", fmt.Sprintf("positions moved during each of %d readings", rounds))
			return r, nil
		}
	}
}

func once(ctx context.Context, s Services) (*Report, []*chain, error) {
	r := &Report{}
	var chains []*chain
	for _, src := range sources(s) {
		c, err := src.load(ctx)
		if err != nil {
			return nil, nil, err
		}
		chains = append(chains, c)
	}
	b := recompute(r, chains)
	if err := compare(ctx, s, b, r); err != nil {
		return nil, nil, err
	}
	return r, chains, nil
}

// recompute does all that needs no answer.
func recompute(r *Report, chains []*chain) *book {
	f := newFacts()
	for _, c := range chains {
		r.AsOf = append(r.AsOf, fmt.Sprintf("%s/%d/%d", c.producer, c.head.GetAt().GetEpoch(), c.head.GetAt().GetPosition()))
		for _, e := range c.check(r) {
			f.add(e, r)
		}
	}
	return settle(f, r)
}

// Log is all that a producer has said, as its database holds it.
type Log struct {
	Producer  string
	Head      *eventv1.Head
	Earlier   []*eventv1.Head // heads at which earlier epochs ended, oldest first
	Envelopes []*eventv1.Envelope
}

// Recompute makes the checks that need no answer, on the logs of all producers: the chains, and all that follows from the facts alone. spreading
// names the holds that are still on their way to descendants.
func Recompute(logs []Log, spreading map[string]bool) *Report {
	r := &Report{}
	var chains []*chain
	for _, l := range logs {
		chains = append(chains, &chain{producer: l.Producer, head: l.Head, earlier: l.Earlier, envelopes: l.Envelopes})
	}
	recompute(r, chains).checkHolds(r, spreading)
	return r
}

// settle works out everything that follows from facts.
func settle(f *facts, r *Report) *book {
	b := newBook(f)
	b.checkLines(r)
	b.checkStock(r)
	b.checkGains(r)
	b.trace(r)
	b.checkOwners(r)
	b.reckon(r)
	b.checkTotals(r)
	return b
}

func unmoved(ctx context.Context, s Services, chains []*chain) (bool, error) {
	for i, src := range sources(s) {
		head, _, err := src.head(ctx)
		if err != nil {
			return false, err
		}
		was, is := chains[i].head.GetAt(), head.GetAt()
		if was.GetEpoch() != is.GetEpoch() || was.GetPosition() != is.GetPosition() {
			return false, nil
		}
	}
	return true, nil
}

// source reads one producer.
type source struct {
	name string
	head func(context.Context) (*eventv1.Head, []*eventv1.Head, error)
	read func(context.Context, int64, func([]*eventv1.Envelope)) error
}
