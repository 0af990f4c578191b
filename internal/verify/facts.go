package verify

import (
	"cmp"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	eventv1 "huskline/proto/huskline/event/v1"
)

// facts is what all events say, by natural key: of two under one key the later version stands.
type facts struct {
	items     map[string][]itemChange
	parties   map[string]*eventv1.PartyChanged
	received  map[string]*receipt
	settled   map[string]settlement
	bought    []*purchase
	runs      map[string]*run
	pours     map[string]*pour
	emptied   []*emptying
	adjusted  map[string]*adjustment
	shipped   map[lineKey]*shipment
	returned  []*comeback
	moved     []*move
	holds     []*hold
	charges   map[string]*eventv1.ChargePosted
	replaced  map[string]bool
	log       binLog
	once      map[string]birth // lots that some version of a run or pour made, its newest perhaps not
	feedLines int64
	feedKept  int64
}

// birth is what a lot was said to be.
type birth struct {
	item, owner string
	measure     eventv1.Measure
	at          time.Time
}

type itemChange struct {
	at   time.Time
	item *eventv1.ItemChanged
}

type receipt struct {
	at       time.Time
	place    string
	version  int64
	voided   bool
	variance int64
	of       *eventv1.LotReceived
}

type settlement struct {
	at time.Time
	of *eventv1.PriceSettled
}

type purchase struct {
	at time.Time
	of *eventv1.LotBought
}

// run is a run in its newest version, with what production said of it.
type run struct {
	id            string
	version       int64
	stage, owner  string
	inputs        []*eventv1.RunInput
	outputs       []*eventv1.RunOutput
	contributions []*eventv1.Contribution
	final         bool
	finalAt       time.Time
	gain          string
	opened        *eventv1.RunOpened
	completed     *eventv1.RunCompleted
}

type pour struct {
	at time.Time
	of *eventv1.LotPoured
}

type emptying struct {
	at time.Time
	of *eventv1.BinEmptied
}

type adjustment struct {
	at time.Time
	of *eventv1.LotAdjusted
}

type lineKey struct {
	shipment string
	line     int64
}

func (k lineKey) compare(l lineKey) int {
	return cmp.Or(strings.Compare(k.shipment, l.shipment), cmp.Compare(k.line, l.line))
}

type shipment struct {
	at   time.Time
	of   *eventv1.LotShipped
	line *eventv1.ShippedLine
}

type comeback struct {
	at time.Time
	of *eventv1.LotReturned
}

type move struct {
	at time.Time
	of *eventv1.LotMoved
}

// hold is a hold with the lots it was put on and those that were taken out of it.
type hold struct {
	id       string
	class    eventv1.HoldClass
	root     string
	lots     map[string]bool
	excluded map[string]bool
	ended    bool
	part     scope
}

// scope is the part of its root that a hold lies on; with neither containers nor a window, all of it.
type scope struct {
	containers []string
	from, to   *timestamppb.Timestamp
}

// String prints times to the microsecond, as the ledger keeps them.
func (s scope) String() string {
	window := ""
	for _, t := range []*timestamppb.Timestamp{s.from, s.to} {
		if window += " /"; t != nil {
			window += " " + t.AsTime().Truncate(time.Microsecond).Format(time.RFC3339Nano)
		}
	}
	return list(s.containers) + window
}

func newFacts() *facts {
	return &facts{
		items: map[string][]itemChange{}, parties: map[string]*eventv1.PartyChanged{}, received: map[string]*receipt{}, settled: map[string]settlement{}, runs: map[string]*run{},
		pours: map[string]*pour{}, adjusted: map[string]*adjustment{}, shipped: map[lineKey]*shipment{},
		charges: map[string]*eventv1.ChargePosted{}, replaced: map[string]bool{}, once: map[string]birth{},
	}
}

// add folds one event. Events of one producer come in its order, producers in any.
func (f *facts) add(x fact, r *Report) {
	at := x.event.GetEffective().AsTime()
	if f.intake(x, at, r) {
		return
	}
	if !f.inventory(x, at) {
		f.production(x)
		return
	}
	f.log.note(f, x.event, at)
}

func (f *facts) intake(x fact, at time.Time, r *Report) bool {
	switch body := x.event.GetBody().(type) {
	case *eventv1.Event_PartyChanged:
		f.parties[body.PartyChanged.GetParty()] = body.PartyChanged
	case *eventv1.Event_ItemChanged:
		id := body.ItemChanged.GetItem()
		f.items[id] = append(f.items[id], itemChange{at, body.ItemChanged})
	case *eventv1.Event_ReadingsStored:
		f.feedLines += body.ReadingsStored.GetLines()
		f.feedKept += body.ReadingsStored.GetStored()
		var kept int64
		for _, s := range body.ReadingsStored.GetScales() {
			kept += s.GetCount()
		}
		r.equal("feed", x.place+" readings of all scales", body.ReadingsStored.GetStored(), kept)
	case *eventv1.Event_LotReceived:
		f.receive(&eventv1.DeliveryCorrected{Version: 1, Now: body.LotReceived}, at, x.place, r)
	case *eventv1.Event_DeliveryCorrected:
		f.receive(body.DeliveryCorrected, at, x.place, r)
	case *eventv1.Event_PriceSettled:
		f.settle(body.PriceSettled, at)
	case *eventv1.Event_LotBought:
		f.bought = append(f.bought, &purchase{at, body.LotBought})
	default:
		return false
	}
	return true
}

// receive keeps the newest version of a lot's coming in. The nuts came when they came: a correction does not move the time of the first version.
func (f *facts) receive(d *eventv1.DeliveryCorrected, at time.Time, place string, r *Report) {
	id := d.GetNow().GetLot()
	known := f.received[id]
	switch {
	case known == nil:
		f.received[id] = &receipt{at, place, d.GetVersion(), d.GetVoided(), d.GetReceivingVariance(), d.GetNow()}
		return
	case d.GetVersion() == 1:
		if known.version == 1 {
			r.differ("stock", id, "one birth", "received twice, at "+known.place+" and "+place)
		}
		known.at = at
	}
	if d.GetVersion() > known.version {
		known.version, known.voided, known.variance, known.of = d.GetVersion(), d.GetVoided(), d.GetReceivingVariance(), d.GetNow()
	}
}

// settle keeps the final price that stands: the latest, then the greatest id.
func (f *facts) settle(p *eventv1.PriceSettled, at time.Time) {
	known, ok := f.settled[p.GetLot()]
	if !ok || at.After(known.at) || at.Equal(known.at) && p.GetSettlement() >= known.of.GetSettlement() {
		f.settled[p.GetLot()] = settlement{at, p}
	}
}

func (f *facts) inventory(x fact, at time.Time) bool {
	switch body := x.event.GetBody().(type) {
	case *eventv1.Event_RunPosted:
		f.post(body.RunPosted, at)
	case *eventv1.Event_LotPoured:
		f.pour(body.LotPoured, at)
	case *eventv1.Event_BinEmptied:
		f.emptied = append(f.emptied, &emptying{at, body.BinEmptied})
	case *eventv1.Event_LotAdjusted:
		f.adjust(body.LotAdjusted, at)
	case *eventv1.Event_LotShipped:
		f.ship(body.LotShipped, at)
	case *eventv1.Event_LotReturned:
		f.returned = append(f.returned, &comeback{at, body.LotReturned})
	case *eventv1.Event_LotMoved:
		f.moved = append(f.moved, &move{at, body.LotMoved})
	case *eventv1.Event_LotHeld:
		f.hold(body.LotHeld)
	case *eventv1.Event_HoldEnded:
		f.lift(body.HoldEnded)
	case *eventv1.Event_LotDisposed:
	case *eventv1.Event_LotsCorrected:
		f.correct(body.LotsCorrected, at)
	default:
		return false
	}
	return true
}

func (f *facts) run(id string) *run {
	if f.runs[id] == nil {
		f.runs[id] = &run{id: id}
	}
	return f.runs[id]
}

// post adds a posting to its run: those of one version add up, a higher version replaces all before it.
func (f *facts) post(p *eventv1.RunPosted, at time.Time) {
	for _, o := range p.GetOutputs() {
		f.once[o.GetLot()] = birth{o.GetItem(), o.GetOwner(), o.GetMeasure(), o.GetAt().AsTime()}
	}
	n := f.run(p.GetRun())
	if p.GetVersion() < n.version {
		return
	}
	if p.GetVersion() > n.version {
		n.inputs, n.outputs, n.contributions, n.final = nil, nil, nil, false
	}
	n.version, n.stage, n.owner = p.GetVersion(), p.GetStage(), p.GetOwner()
	n.inputs = append(n.inputs, p.GetInputs()...)
	n.outputs = append(n.outputs, p.GetOutputs()...)
	if p.GetFinal() {
		n.final, n.finalAt, n.contributions, n.gain = true, at, p.GetContributions(), p.GetGainReason()
	}
}

// pour, adjust and ship keep the time at which the first fact of a name said it happened: a correction says what, not when.
func (f *facts) pour(p *eventv1.LotPoured, at time.Time) {
	if known := f.pours[p.GetPour()]; known != nil {
		at = known.at
	}
	f.pours[p.GetPour()] = &pour{at, p}
	f.once[p.GetBinLot()] = birth{p.GetItem(), "", p.GetMeasure(), at}
}

func (f *facts) adjust(a *eventv1.LotAdjusted, at time.Time) {
	if known := f.adjusted[a.GetAdjustment()]; known != nil {
		at = known.at
	}
	f.adjusted[a.GetAdjustment()] = &adjustment{at, a}
}

func (f *facts) ship(s *eventv1.LotShipped, at time.Time) {
	for _, l := range s.GetLines() {
		key, when := lineKey{s.GetShipment(), l.GetLine()}, at
		if known := f.shipped[key]; known != nil {
			when = known.at
		}
		f.shipped[key] = &shipment{when, s, l}
	}
}

func (f *facts) correct(c *eventv1.LotsCorrected, at time.Time) {
	for _, d := range c.GetDeliveries() {
		f.receive(d, at, "", &Report{})
	}
	for _, p := range c.GetRuns() {
		f.post(p, at)
	}
	for _, p := range c.GetPours() {
		f.pour(p, at)
	}
	for _, a := range c.GetAdjustments() {
		f.adjust(a, at)
	}
	for _, s := range c.GetShipments() {
		f.ship(s, at)
	}
}

func (f *facts) hold(h *eventv1.LotHeld) {
	for _, known := range f.holds {
		if known.id == h.GetHold() {
			known.lots[h.GetLot()] = true
			delete(known.excluded, h.GetLot()) // something held went in after it was excluded with all that it was made from
			return
		}
	}
	f.holds = append(f.holds, &hold{
		id: h.GetHold(), class: h.GetClass(), root: h.GetRoot(), lots: map[string]bool{h.GetLot(): true}, excluded: map[string]bool{},
		part: scope{h.GetContainers(), h.GetFillFrom(), h.GetFillTo()},
	})
}

func (f *facts) lift(e *eventv1.HoldEnded) {
	for _, h := range f.holds {
		if h.id != e.GetHold() {
			continue
		}
		if e.GetLot() == "" {
			h.ended = true
			h.lots = map[string]bool{}
			continue
		}
		delete(h.lots, e.GetLot())
		h.excluded[e.GetLot()] = true
	}
}

func (f *facts) production(x fact) {
	switch body := x.event.GetBody().(type) {
	case *eventv1.Event_RunOpened:
		f.run(body.RunOpened.GetRun()).opened = body.RunOpened
	case *eventv1.Event_RunCompleted:
		f.run(body.RunCompleted.GetRun()).complete(body.RunCompleted)
	case *eventv1.Event_RunCorrected:
		n := f.run(body.RunCorrected.GetOpened().GetRun())
		n.opened = body.RunCorrected.GetOpened()
		n.complete(body.RunCorrected.GetCompleted())
	case *eventv1.Event_ChargePosted:
		c := body.ChargePosted
		f.charges[c.GetCharge()] = c
		if c.GetReplaces() != "" {
			f.replaced[c.GetReplaces()] = true
		}
	}
}

func (n *run) complete(c *eventv1.RunCompleted) {
	if n.completed == nil || c.GetVersion() >= n.completed.GetVersion() {
		n.completed = c
	}
}
