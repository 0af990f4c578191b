package genealogy

import (
	"math"
	"time"

	"huskline/internal/lot"
)

// none ends a chain of legs and stands where nothing is named.
const none int32 = -1

// legKind says how pounds enter or leave a lot.
type legKind uint8

const (
	received   legKind = iota + 1 // in: born at the gate
	output                        // in: made by the run peer
	pouredIn                      // in: from the lot peer
	cameBack                      // in: from the lot peer, which was shipped
	boughtIn                      // in: from the owner's lot peer
	input                         // out: to the run peer
	pouredOut                     // out: to the bin lot peer
	boughtOut                     // out: to the company's lot peer
	wentBack                      // an edge to the lot peer; the pounds had left with a shipment
	shipped                       // out: with the shipment peer
	adjusted                      // out or in: signed
	emptied                       // out: what the book held of an empty bin
	carriedOff                    // from a place to another; the pounds stay the lot's
	carriedTo
)

// leg is one way that pounds enter or leave a lot.
type leg struct {
	quantity lot.Quantity
	at       int64 // when, microseconds since 1970
	lot      int32
	peer     int32 // what the kind says; none for received, adjusted and emptied
	next     int32 // of the same lot and side
	mate     int32 // of the same run or shipment; for wentBack the shipment
	line     int32 // within the run or shipment, else the number of the fact's name
	kind     legKind
	dead     bool // replaced or taken away
	explains bool // of adjusted: an account that explains the difference
}

// node is a lot.
type node struct {
	id      lot.ID
	in, out int32 // heads of its chains
	item    int32 // none where not told by its own birth
	owner   int32 // likewise
	party   int32 // who brought it
	measure uint8 // a lot.Measure
	source  uint8 // a lot.Source, 0 where it was not received
	voided  bool
}

// run is a pass of lots through a stage.
type run struct {
	id         lot.RunID
	version    int64
	first      int32 // head of its chain of inputs and outputs
	lastIn     int32 // highest line numbers so far
	lastOut    int32
	final      bool
	owner      int32
	stage      string
	gainReason string
	byInput    []contribution // its table, sorted by input
	byOutput   []contribution // the same, sorted by output
}

// contribution is a row of a contribution table.
type contribution struct {
	input, output int32
	quantity      lot.Quantity
}

type shipment struct {
	name              string
	kind              lot.ShipmentKind
	consignee         int32
	first             int32
	lastLine          int32
	at                int64
	carrier, document string
	channel           string
}

type party struct {
	id                   lot.PartyID
	name, address, phone string
	known                bool
	at                   int64
}

type item struct {
	id    lot.ItemID
	name  string
	unit  int64 // micropounds of one piece
	known bool
	at    int64
}

// factName is the natural key of a fact whose legs a correction may replace.
type factName struct {
	kind legKind
	name string
}

// Index is the genealogy of all lots.
type Index struct {
	lots      []node
	runs      []run
	shipments []shipment
	parties   []party
	items     []item
	legs      []leg
	codes     codes
	names     []string // of pours, adjustments, emptyings, returns, purchases and moves
	places    []lot.PlaceID
	placeOf   map[lot.PlaceID]int32
	standing  []int32 // by leg: its place; shorter than the legs while the rest are at the default place

	runOf      map[lot.RunID]int32
	shipmentOf map[string]int32
	partyOf    map[lot.PartyID]int32
	itemOf     map[lot.ItemID]int32
	legOf      map[factName]int32 // the fact's first leg

	papers    map[int32]papers // of received lots that came with any
	versions  map[int32]int64  // of deliveries told more than once
	gates     map[int32]int64  // when a delivery came in, by its own event
	titles    map[int32]int64  // when an untouched ticket was bought whole
	holds     []hold
	holdsOf   map[int32][]int32
	positions map[lot.Producer]lot.Receipt
	journal   *journal // nil: changes are not noted
}

// New is an index that knows nothing yet.
func New() *Index {
	x := &Index{
		codes: newCodes(), papers: map[int32]papers{}, runOf: map[lot.RunID]int32{}, shipmentOf: map[string]int32{},
		partyOf: map[lot.PartyID]int32{}, itemOf: map[lot.ItemID]int32{}, legOf: map[factName]int32{},
		versions: map[int32]int64{}, gates: map[int32]int64{}, titles: map[int32]int64{}, holdsOf: map[int32][]int32{},
		positions: map[lot.Producer]lot.Receipt{}, places: []lot.PlaceID{""}, placeOf: map[lot.PlaceID]int32{"": 0},
	}
	x.party("") // number 0 is the company itself
	return x
}

func (x *Index) lot(id lot.ID) int32 {
	hash := x.codes.hash(id)
	n := x.codes.find(x.lots, id, hash)
	if n != none {
		return n
	}
	n = int32(len(x.lots))
	x.lots = append(x.lots, node{id: x.codes.keep(id), in: none, out: none, item: none, owner: none, party: none})
	x.codes.put(n, hash)
	return n
}

func (x *Index) run(id lot.RunID) int32 {
	if n, ok := x.runOf[id]; ok {
		return n
	}
	n := int32(len(x.runs))
	x.runs = append(x.runs, run{id: id, first: none})
	x.runOf[id] = n
	return n
}

func (x *Index) shipment(name string) int32 {
	if n, ok := x.shipmentOf[name]; ok {
		return n
	}
	n := int32(len(x.shipments))
	x.shipments = append(x.shipments, shipment{name: name, first: none})
	x.shipmentOf[name] = n
	return n
}

func (x *Index) party(id lot.PartyID) int32 {
	if n, ok := x.partyOf[id]; ok {
		return n
	}
	n := int32(len(x.parties))
	x.parties = append(x.parties, party{id: id, at: math.MinInt64})
	x.partyOf[id] = n
	return n
}

func (x *Index) item(id lot.ItemID) int32 {
	if n, ok := x.itemOf[id]; ok {
		return n
	}
	n := int32(len(x.items))
	x.items = append(x.items, item{id: id, at: math.MinInt64})
	x.itemOf[id] = n
	return n
}

func (x *Index) name(text string) int32 {
	x.names = append(x.names, text)
	return int32(len(x.names) - 1)
}

// known is the number of a lot that some fact names, else none.
func (x *Index) known(id lot.ID) int32 { return x.codes.find(x.lots, id, x.codes.hash(id)) }

// enter adds a leg, at a place, to the chain of its lot's side and returns its number.
func (x *Index) enter(l leg, place lot.PlaceID) int32 {
	n := int32(len(x.legs))
	x.stands(n, place)
	of := &x.lots[l.lot]
	if l.kind <= boughtIn {
		l.next, of.in = of.in, n
	} else {
		l.next, of.out = of.out, n
	}
	x.legs = append(x.legs, l)
	if !l.dead {
		x.note(n, l.change())
	}
	return n
}

// kill takes a leg away.
func (x *Index) kill(n int32) {
	if l := &x.legs[n]; !l.dead {
		x.note(n, -l.change())
		l.dead = true
	}
}

// micros is a time as legs hold it.
// papers are what a lot came with.
type papers struct{ supplierLot, carrier, document string }

func micros(t time.Time) int64 { return t.UnixMicro() }
