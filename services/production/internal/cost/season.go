package cost

import (
	"slices"

	"huskline/internal/lot"
	"huskline/internal/weight"
)

// Pounds is a balance of pounds: Received + Returned + Adjusted = Shipped + OnHand + InProcess + Unaccounted + Bought.
type Pounds struct {
	Received    weight.Mass // deliveries and bought ingredients
	Returned    weight.Mass // came back from shipments
	Adjusted    weight.Mass // signed; without what counts as unaccounted
	Shipped     weight.Mass // what left, also where some came back
	OnHand      weight.Mass
	InProcess   weight.Mass // of open runs
	Unaccounted weight.Mass // of complete runs, emptied bins and unexplained adjustments
	Bought      weight.Mass // owners' pounds that became the company's; 0 where all owners are counted together
}

// Season is the whole book in figures.
type Season struct {
	Deliveries int
	Lots       int
	Runs       int
	Shipments  int // lines
	Short      int // lots that more was drawn from than is known to have come in: facts are missing
	Stuck      int // lots and runs made, over others, from themselves: they keep their former figures
	All        Pounds
	Owners     Pounds // of lots and runs that are not the company's
	// Variance is pounds paid for less pounds received, of deliveries whose pay weight alone was corrected.
	Variance weight.Mass

	CostIn       Cost // purchases, freight, landed charges and conversion
	Inventory    Cost // on hand
	Process      Cost // in open runs
	Shipped      Cost // less what came back
	WrittenOff   Cost // adjustments at cost, remainders of emptied bins and abnormal loss
	Abnormal     Cost // within WrittenOff
	LeftService  Cost // spent for owners on pounds whose title then passed: cost of service
	Ledger       Cost // what went into lots less what went out of them; must be Inventory
	OwnersStock  Cost // stock cost on hand in lots that are not the company's; must be zero
	MainOutputs  Cost // of all runs
	NetJointCost Cost // material and conversion less credit, in process and abnormal loss, of all runs; must be MainOutputs
}

// Season answers for the whole book. It is worked out once after a change.
func (b *Book) Season() Season {
	b.Settle()
	if known := b.season.Load(); known != nil {
		return *known
	}
	s := Season{Stuck: len(b.stuck)}
	for _, n := range b.lots {
		b.addLot(&s, n)
	}
	for _, n := range b.runs {
		b.addRun(&s, n)
	}
	for id, c := range b.charges {
		if b.replaced[id] {
			continue
		}
		if c.stale {
			b.divide(c)
		}
		for i, n := range c.runs {
			part := load{service: int64(c.parts[i])}
			if n.run.owner == "" {
				part = load{stockPaid: int64(c.parts[i]), stockFinal: int64(c.parts[i])}
			}
			s.CostIn = s.CostIn.Plus(part.cost())
		}
	}
	b.season.Store(&s)
	return s
}

func (b *Book) addLot(s *Season, n *node) {
	if n.lot.birth != nil {
		s.Lots++
	}
	if n.lot.short {
		s.Short++
	}
	if r := n.lot.receipt; r != nil && !r.voided {
		if r.body.Source == lot.Delivery {
			s.Deliveries++
		}
		s.Variance += b.mass(r.body.Item, r.body.Measure, r.variance)
	}
	l := leavesOf(n, n.flows)
	p := b.pounds(n, l)
	p.OnHand, p.Bought = b.mass(n.lot.item(), n.lot.measure(), n.lot.onHand), 0
	s.All = s.All.plus(p)
	b.addOwners(s, n, l)
	s.Shipments += l.lines
	s.CostIn = s.CostIn.Plus(l.cameIn.cost())
	s.Inventory = s.Inventory.Plus(n.lot.held.cost())
	s.Shipped = s.Shipped.Plus(l.shipped.cost())
	s.WrittenOff = s.WrittenOff.Plus(l.writtenOff.cost()).Plus(n.lot.abnormal.cost())
	s.Abnormal = s.Abnormal.Plus(n.lot.abnormal.cost())
	s.LeftService = s.LeftService.Plus(l.left.cost())
	s.Ledger = s.Ledger.Plus(l.ledger.minus(n.lot.abnormal).cost())
}

// addOwners counts what of a lot is, or was until it was bought whole, not the company's.
func (b *Book) addOwners(s *Season, n *node, l leaves) {
	if n.lot.owner() != "" {
		p := b.pounds(n, l)
		p.OnHand = b.mass(n.lot.item(), n.lot.measure(), n.lot.onHand)
		s.Owners = s.Owners.plus(p)
		s.OwnersStock = s.OwnersStock.Plus(n.lot.held.stockOnly().cost())
		return
	}
	if t := n.lot.titlePrice; t != nil && t.same {
		passed := slices.IndexFunc(n.flows, func(f *flow) bool { return f.kind == titleOut })
		s.Owners = s.Owners.plus(b.pounds(n, leavesOf(n, n.flows[:passed+1])))
	}
}

// pounds is the leaves of a lot by weight.
func (b *Book) pounds(n *node, l leaves) Pounds {
	item, measure := n.lot.item(), n.lot.measure()
	return Pounds{
		Received: b.mass(item, measure, l.receivedIn), Returned: b.mass(item, measure, l.returnedIn), Adjusted: b.mass(item, measure, l.adjusted),
		Shipped: b.mass(item, measure, l.shippedOut), Unaccounted: b.mass(item, measure, l.unaccounted), Bought: b.mass(item, measure, l.titleOut),
	}
}

func (b *Book) addRun(s *Season, n *node) {
	sh := &n.run.sheet
	if n.run.known {
		s.Runs++
	}
	var p Pounds
	if n.run.final {
		p.Unaccounted = sh.input - sh.output
	} else {
		p.InProcess = sh.input - sh.output
	}
	s.All = s.All.plus(p)
	if n.run.owner != "" {
		s.Owners = s.Owners.plus(p)
	}
	s.Process = s.Process.Plus(sh.process.cost())
	s.Abnormal = s.Abnormal.Plus(sh.abnormal.cost())
	s.WrittenOff = s.WrittenOff.Plus(sh.abnormal.cost())
	net := sh.material
	if n.run.owner == "" {
		net[stockPaid] += int64(sh.conversion - sh.creditPaid)
		net[stockFinal] += int64(sh.conversion - sh.creditFinal)
	} else {
		net[service] += int64(sh.conversion)
	}
	s.NetJointCost = s.NetJointCost.Plus(net.minus(sh.process).minus(sh.abnormal).cost())
	for _, f := range n.flows {
		if f.kind == filled && f.role == lot.Main {
			s.MainOutputs = s.MainOutputs.Plus(f.load.cost())
		}
	}
}

func (p Pounds) plus(q Pounds) Pounds {
	return Pounds{
		Received: p.Received + q.Received, Returned: p.Returned + q.Returned, Adjusted: p.Adjusted + q.Adjusted, Shipped: p.Shipped + q.Shipped,
		OnHand: p.OnHand + q.OnHand, InProcess: p.InProcess + q.InProcess, Unaccounted: p.Unaccounted + q.Unaccounted, Bought: p.Bought + q.Bought,
	}
}

func (l load) stockOnly() load { return load{stockPaid: l[stockPaid], stockFinal: l[stockFinal]} }

// leaves is where the pounds and dollars of one lot came in from the world and went out to it.
type leaves struct {
	receivedIn, returnedIn, titleOut            lot.Quantity
	adjusted, unaccounted, shippedOut, cameBack lot.Quantity
	offQuantity                                 lot.Quantity
	lines                                       int
	cameIn, shipped, writtenOff, left, ledger   load
}

// leavesOf adds up flows of the lot n.
func leavesOf(n *node, flows []*flow) leaves {
	var l leaves
	for _, f := range flows {
		if f.to == n {
			l.into(f)
			continue
		}
		if f.kind == returned {
			l.cameBack += f.quantity
			l.shipped = l.shipped.minus(f.load)
			continue
		}
		l.ledger = l.ledger.minus(f.load)
		switch f.kind {
		case shipped:
			l.lines++
			l.shippedOut += f.quantity
			l.shipped = l.shipped.plus(f.load)
		case titleOut:
			l.titleOut += f.quantity
			l.left = l.left.plus(f.load)
		case adjusted, emptied:
			l.adjust(f, -f.quantity)
			if f.writesOff {
				l.offQuantity += f.quantity
				l.writtenOff = l.writtenOff.plus(f.load)
			}
		}
	}
	return l
}

func (l *leaves) into(f *flow) {
	l.ledger = l.ledger.plus(f.load)
	switch f.kind {
	case received:
		l.receivedIn += f.quantity
		l.cameIn = l.cameIn.plus(f.load)
	case titleIn:
		l.cameIn = l.cameIn.plus(f.load)
	case returned:
		l.returnedIn += f.quantity
	case adjusted:
		l.adjust(f, f.quantity)
	}
}

func (l *leaves) adjust(f *flow, delta lot.Quantity) {
	if f.unexplained {
		l.unaccounted -= delta
	} else {
		l.adjusted += delta
	}
}
