package cost

import (
	"slices"
	"strings"
	"time"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// SourceKind says how pounds came into a lot.
type SourceKind int

// The kinds of source.
const (
	FromReceipt SourceKind = iota + 1
	FromPurchase
	FromRun
	FromPour
	FromReturn
	FromGain
)

// Source is one coming in of pounds into a lot, with what they brought.
type Source struct {
	Kind      SourceKind
	Key       string // its natural key: the lot's own code, or the purchase, run, pour, return or adjustment
	Line      int64  // of a run's output
	Lot       lot.ID // the lot poured, or shipped and come back
	Quantity  lot.Quantity
	Cost      Cost
	Unsettled Unsettled
}

// LotCost is what a lot has cost, when made and now.
type LotCost struct {
	Lot      lot.ID
	Item     lot.ItemID
	ItemKind lot.ItemKind // 0 where the item is not yet known
	Owner    lot.PartyID  // empty: the company
	Measure  lot.Measure
	Made     lot.Quantity
	OnHand   lot.Quantity
	Cost     Cost // of the pounds made, when they were made
	Held     Cost // of the pounds on hand
	Abnormal Cost // what stayed when no pound did
	// Kernel is what kernel is in the pounds made, HeldKernel in those on hand: of kernel lots their own, of finished lots what was passed on.
	Kernel        Kernel
	HeldKernel    Kernel
	Unsettled     Unsettled
	HeldUnsettled Unsettled
	Provisional   bool // rests on the cost of an open run
	Short         bool // more was drawn than is known to have come in: facts are missing
	Sources       []Source
}

// PaidPerUnit is cost per pound (or piece) made, at the prices first paid.
func (c LotCost) PaidPerUnit() UnitCost {
	return UnitCost{Amount: c.Cost.Paid.Total(), Quantity: c.Made, Measure: c.Measure}
}

// FinalPerUnit is cost per pound (or piece) made, with the final prices.
func (c LotCost) FinalPerUnit() UnitCost {
	return UnitCost{Amount: c.Cost.Final.Total(), Quantity: c.Made, Measure: c.Measure}
}

// KernelPaidPerPound is the cost of a pound of the kernel in the lot, at the prices first paid.
func (c LotCost) KernelPaidPerPound() UnitCost {
	return UnitCost{Amount: c.Kernel.Paid, Quantity: lot.Quantity(c.Kernel.Weight), Measure: lot.ByWeight}
}

// KernelFinalPerPound is the cost of a pound of the kernel in the lot, with the final prices.
func (c LotCost) KernelFinalPerPound() UnitCost {
	return UnitCost{Amount: c.Kernel.Final, Quantity: lot.Quantity(c.Kernel.Weight), Measure: lot.ByWeight}
}

// Lot answers for one lot. A lot that no known fact has made is not found, also where other facts already name it.
func (b *Book) Lot(id lot.ID) (LotCost, error) {
	b.Settle()
	n, ok := b.lots[id]
	if !ok || n.lot.birth == nil {
		return LotCost{}, fault.NotFound("lot_unknown", "cost of lot %s: no known fact has made it", id)
	}
	if n.stuck {
		return LotCost{}, circle("lot", string(id))
	}
	s := n.lot
	c := LotCost{
		Lot: id, Item: s.item(), ItemKind: b.items[s.item()].kind(), Owner: s.owner(), Measure: s.measure(),
		Made: s.made, OnHand: s.onHand, Cost: s.born.cost(), Held: s.held.cost(), Abnormal: s.abnormal.cost(),
		Kernel: s.born.kernel(), HeldKernel: s.held.kernel(), Unsettled: s.born.unsettled(), HeldUnsettled: s.held.unsettled(),
		Provisional: s.provisional, Short: s.short,
	}
	if c.ItemKind == lot.Kernel {
		c.Kernel = ownKernel(b.mass(c.Item, c.Measure, c.Made), c.Cost)
		c.HeldKernel = ownKernel(b.mass(c.Item, c.Measure, c.OnHand), c.Held)
	}
	for _, f := range n.flows {
		if f.to == n {
			c.Sources = append(c.Sources, f.source())
		}
	}
	return c, nil
}

func circle(what, id string) error {
	return fault.Precondition("cost_circle", "cost of %s %s: it was made, over other lots and runs, from itself", what, id)
}

func ownKernel(m weight.Mass, c Cost) Kernel {
	return Kernel{Weight: m, Paid: c.Paid.Total(), Final: c.Final.Total()}
}

var sourceKinds = map[flowKind]SourceKind{
	received: FromReceipt, titleIn: FromPurchase, filled: FromRun, poured: FromPour, returned: FromReturn, adjusted: FromGain,
}

func (f *flow) source() Source {
	s := Source{
		Kind: sourceKinds[f.kind], Key: f.key, Line: f.line, Quantity: f.quantity, Cost: f.load.cost(), Unsettled: f.load.unsettled(),
	}
	if f.from != nil && f.from.lot != nil {
		s.Lot = f.from.lot.id
	}
	return s
}

// RunInput is one taking in of goods, with what it brought.
type RunInput struct {
	Line      int64
	Lot       lot.ID
	Item      lot.ItemID
	Measure   lot.Measure
	Quantity  lot.Quantity
	Cost      Cost
	Unsettled Unsettled
}

// RunOutput is one output lot of a run, all its fills together.
type RunOutput struct {
	Lot       lot.ID
	Item      lot.ItemID
	Role      lot.Role
	Measure   lot.Measure
	Quantity  lot.Quantity
	Weight    weight.Mass
	Price     *money.Price // in force at split-off; nil: none above zero
	Cost      Cost
	Unsettled Unsettled
}

// PerUnit is the output's cost per pound (or piece) at the prices first paid.
func (o RunOutput) PerUnit() UnitCost {
	return UnitCost{Amount: o.Cost.Paid.Total(), Quantity: o.Quantity, Measure: o.Measure}
}

// RunCharge is a run's part of a charge.
type RunCharge struct {
	Charge string
	Amount money.Amount
}

// RunCost is a run's account: Material + Conversion - Credit = main outputs + InProcess + Abnormal, in every column.
type RunCost struct {
	Run         lot.RunID
	Stage       string
	Owner       lot.PartyID // empty: the company
	Version     int64
	Open        bool // not yet complete: costs are provisional
	Provisional bool // open, or resting on the cost of an open run
	Input       weight.Mass
	Output      weight.Mass
	Unaccounted weight.Mass // of a complete run; below zero is a gain
	InProcess   weight.Mass // of an open run; may be below zero while a dump is not yet recorded
	Material    Cost
	Conversion  money.Amount // stock cost, or service cost of a run for an owner
	CreditPaid  money.Amount
	CreditFinal money.Amount
	Process     Cost // still in the run
	Abnormal    Cost // of a run without a main output
	Kernel      Kernel
	Unsettled   Unsettled // within Material
	Inputs      []RunInput
	Charges     []RunCharge // by charge
	Outputs     []RunOutput // main by lot code, then by-products and waste
	ByTable     bool        // what each input brought is shared by the contribution table
	// Fault says what is wrong with the account as it stands: main outputs priced in part, split by pounds until that is put right.
	Fault error
}

// KernelPaidPerPound is the dollars shared to the kernel outputs per pound of them, at the prices first paid.
func (c RunCost) KernelPaidPerPound() UnitCost {
	return UnitCost{Amount: c.Kernel.Paid, Quantity: lot.Quantity(c.Kernel.Weight), Measure: lot.ByWeight}
}

// KernelFinalPerPound is the same with the final prices.
func (c RunCost) KernelFinalPerPound() UnitCost {
	return UnitCost{Amount: c.Kernel.Final, Quantity: lot.Quantity(c.Kernel.Weight), Measure: lot.ByWeight}
}

// ConversionCost is the conversion in the column it went to.
func (c RunCost) ConversionCost() Cost {
	if c.Owner != "" {
		return Cost{Paid: Dollars{Service: c.Conversion}, Final: Dollars{Service: c.Conversion}}
	}
	return Cost{Paid: Dollars{Stock: c.Conversion}, Final: Dollars{Stock: c.Conversion}}
}

// CreditCost is the by-product credit as cost; it is stock cost only.
func (c RunCost) CreditCost() Cost {
	return Cost{Paid: Dollars{Stock: c.CreditPaid}, Final: Dollars{Stock: c.CreditFinal}}
}

// Run answers for one run. A run that only charges name is not found.
func (b *Book) Run(id lot.RunID) (RunCost, error) {
	b.Settle()
	n, ok := b.runs[id]
	if !ok || !n.run.known {
		return RunCost{}, fault.NotFound("run_unknown", "cost of run %s: no known fact has opened or posted it", id)
	}
	if n.stuck {
		return RunCost{}, circle("run", string(id))
	}
	r, sh := n.run, &n.run.sheet
	c := RunCost{
		Run: id, Stage: r.stage, Owner: r.owner, Version: r.version, Open: !r.final, Provisional: sh.provisional,
		Input: sh.input, Output: sh.output, Material: sh.material.cost(), Conversion: sh.conversion,
		CreditPaid: sh.creditPaid, CreditFinal: sh.creditFinal, Process: sh.process.cost(), Abnormal: sh.abnormal.cost(),
		Unsettled: sh.material.unsettled(), Fault: sh.fault, ByTable: r.byTable(),
	}
	if r.final {
		c.Unaccounted = sh.input - sh.output
	} else {
		c.InProcess = sh.input - sh.output
	}
	for _, ch := range r.charges {
		if !b.replaced[ch.id] {
			c.Charges = append(c.Charges, RunCharge{Charge: ch.id, Amount: ch.part(n)})
		}
	}
	slices.SortFunc(c.Charges, func(x, y RunCharge) int { return strings.Compare(x.Charge, y.Charge) })
	b.runLines(n, &c)
	return c, nil
}

func (b *Book) runLines(n *node, c *RunCost) {
	for _, p := range n.run.sheet.mains {
		out := RunOutput{
			Lot: p.to.lot.id, Item: p.goods.item, Role: lot.Main, Measure: p.goods.measure, Quantity: p.quantity, Weight: p.mass, Price: p.price,
			Cost: p.load.cost(), Unsettled: p.load.unsettled(),
		}
		c.Outputs = append(c.Outputs, out)
		if b.items[out.Item].kind() == lot.Kernel {
			c.Kernel.Weight += out.Weight
			c.Kernel.Paid += out.Cost.Paid.Total()
			c.Kernel.Final += out.Cost.Final.Total()
		}
	}
	end := n.run.end(n)
	for _, f := range n.flows {
		if f.kind == dumped {
			s := f.from.lot
			c.Inputs = append(c.Inputs, RunInput{
				Line: f.line, Lot: s.id, Item: s.item(), Measure: s.measure(), Quantity: f.quantity,
				Cost: f.load.cost(), Unsettled: f.load.unsettled(),
			})
		}
		if f.kind == filled && f.role != lot.Main {
			c.Outputs = append(c.Outputs, RunOutput{
				Lot: f.to.lot.id, Item: f.goods.item, Role: f.role, Measure: f.goods.measure, Quantity: f.quantity,
				Weight: b.mass(f.goods.item, f.goods.measure, f.quantity), Price: b.items[f.goods.item].price(end), Cost: f.load.cost(),
			})
		}
	}
}

// Price is the split-off price of an item in force at a time, which for a run is its end; nil where there is none above zero. It is what
// CheckPrices asks for.
func (b *Book) Price(item lot.ItemID, at time.Time) *money.Price {
	return b.items[item].price(micro(at))
}
