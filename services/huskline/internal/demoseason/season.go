// Package demoseason makes up a season of a pecan business that does not exist, as the folder of CSV files that `huskline import` takes:
// the same seed and size give the same bytes. It serves the demonstration, and benchmarks by a larger size.
//
// The business buys from growers at a counter and by a contract in fourteen truck loads, shells for custom clients, has an orchard of its
// own, and makes about twenty confections for a mail-order peak in November and December. Every rule that the services keep is kept
// by the way the season is made: a lot is born whole at one instant, and each withdrawal comes later and takes from what is left.
package demoseason

import (
	"time"

	"huskline/internal/money"
	"huskline/internal/weight"
)

// Business is the name of the company whose season this is.
const Business = "Thimblewick Hollow Pecan House"

// Size says how much of a season to make. Runs follow from deliveries, about two for each.
type Size struct {
	Deliveries int // tickets at the scales; fewer than 48 are raised to 48, so that each kind of delivery is there
	Shipments  int // lines that leave, returns to owners among them; fewer than 150 are raised to 150
	Readings   int // about how many distinct scale readings; each delivery has two at least
}

// Demo is the size that the demonstration shows: it imports within seconds.
func Demo() Size { return Size{Deliveries: 60, Shipments: 400, Readings: 2600} }

// Season is a made season: rows of the files, and what is worth showing in it.
type Season struct {
	Names Names

	parties       []party
	items         []item
	deliveries    []delivery
	receipts      []receipt
	pours         []pour
	runs          []run
	inputs        []runInput
	outputs       []runOutput
	contributions []contribution
	adjustments   []adjustment
	shipments     []shipment
	returns       []returned
	finals        []finalPrice
	readings      []reading
}

// Names are the lots and runs that a demonstration can show things with.
type Names struct {
	SmallLot   string // a walk-in ticket that went into a bin and reached mail-order customers
	Batch      string // a finished lot with kernel in it, sold by mail
	HoldLot    string // a bought ingredient that is in several finished lots, some of them shipped
	HeldLot    string // made from HoldLot and still on hand, so that a hold on HoldLot reaches it
	Customer   string // a customer to whom HeldLot might be shipped
	Correction Correction
}

// Correction is a run to reopen: the weight of one of its outputs was written down with two digits changed round. The goods that are left of
// the output cover the difference, so the correction takes nothing below zero.
type Correction struct {
	Run       string
	Lot       string
	Recorded  weight.Mass
	Corrected weight.Mass
	Reason    string
}

// Deliveries is how many rows deliveries.csv has.
func (s *Season) Deliveries() int { return len(s.deliveries) }

// Runs is how many rows runs.csv has.
func (s *Season) Runs() int { return len(s.runs) }

// Shipments is how many rows shipments.csv has.
func (s *Season) Shipments() int { return len(s.shipments) }

// Weighings is how many rows weighings.csv has, repeats too.
func (s *Season) Weighings() int { return len(s.readings) }

type party struct{ id, name, role, address, phone string }

type item struct {
	id, name, kind string
	splitOff       money.Price // 0: none
	unit           weight.Mass // 0: none
	allergens      string
}

type delivery struct {
	lot                     string
	at                      time.Time
	seller, ownership, item string
	variety                 string
	gross, tare             weight.Mass
	moisture, foreign       int64 // tenths of a percent
	kernel, reject          int64 // grams of a sample of 1,000
	nutsPerPound            int64
	price                   money.Price
	freight                 money.Amount
	class                   class
	scale                   string
	visit                   time.Duration // from the first weighing to the last
}

type receipt struct {
	lot                        string
	at                         time.Time
	supplier, item             string
	weight                     weight.Mass
	cost                       money.Amount
	supplierLot, bestBy        string
	packaging, carrier, docket string
}

type pour struct {
	id       string
	at       time.Time
	bin, lot string
	weight   weight.Mass
}

type run struct {
	id, stage, line        string
	start, end             time.Time
	laborHours             int64 // hundredths of an hour
	machineHours           int64
	laborRate, machineRate money.Price
	other                  money.Amount
	recipe                 string
}

type runInput struct {
	run, lot string
	weight   weight.Mass
	from, to time.Time // zero: not noted
	moisture int64     // tenths of a percent, 0: not measured
}

type runOutput struct {
	run, lot, item string
	weight         weight.Mass
	role           string
	from, to       time.Time
	moisture       int64
}

type contribution struct {
	run, input, output string
	weight             weight.Mass
}

type adjustment struct {
	id     string
	at     time.Time
	lot    string
	delta  weight.Mass
	reason string
}

type shipment struct {
	id            string
	at            time.Time
	customer, lot string
	weight        weight.Mass
	channel       string
	carrier       string
	document      string
	price         money.Price
	freightOut    money.Amount
}

type returned struct {
	id            string
	at            time.Time
	shipment, lot string
	weight        weight.Mass
}

type finalPrice struct {
	lot   string
	at    time.Time
	price money.Price
}

type reading struct {
	scale     string
	seq       int64
	at        time.Time
	digits    string
	unit      string
	kind      string
	reference string
}
