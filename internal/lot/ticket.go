package lot

import (
	"time"

	"huskline/internal/weight"
)

// WeightKeyed is a weight that a person keyed in from a scale's indicator while nothing else brought it.
type WeightKeyed struct {
	Keyed      int64 // its number
	Scale      string
	Ticket     string // that the indicator itself gave
	Digits     string
	Unit       string
	Mass       weight.Mass
	Time       time.Time
	Reason     string
	Supersedes int64 // number of the keyed weight that this one stands in place of; 0: none
	Operator   string
	Marks      []string // rules that it broke and is marked with, as a reading of the scale would be
}

// WeightMatched says which reading of the scale a keyed weight is, as a person found. Neither is replaced by the other.
type WeightMatched struct {
	Keyed      int64
	Scale      string
	Sequence   int64
	Mass       weight.Mass // of the reading
	Difference weight.Mass // reading less keyed weight
	Reason     string
	By         string
}

// TicketMark is what became of a ticket.
type TicketMark int

// The marks: it does not count; its paper was spoilt; it was printed again. Its number stays in every case.
const (
	TicketVoid TicketMark = iota + 1
	TicketJammed
	TicketReprinted
)

// TicketWeight is one side of a ticket.
type TicketWeight struct {
	Indications []Indication
	Mass        weight.Mass
	Draft       Draft
	DriverOn    bool
	Weigher     string
	Tare        int64 // number of the stored tare that it is; 0: it was weighed on this visit
	Keyed       bool  // a person keyed it in, in whole or in part
}

// TicketIssued is a weigh ticket with all that stands on it. Numbers of a series are given in order and without gaps.
type TicketIssued struct {
	Series      string
	Number      int64
	Visit, Line int64
	Plate       string
	Party       PartyID
	PartyName   string
	Item        ItemID
	ItemName    string
	Variety     string
	Lot         ID   // empty where not known yet
	Outbound    bool // goods that left: the vehicle was weighed empty first
	Gross, Tare TicketWeight
	Net         weight.Mass
	MoisturePPM int64 // parts per million; below 0 where unknown
	Replaces    int64 // number of the ticket that this one stands in place of; 0: none
	Place       string
	Weigher     string
}

// TicketMarked is what became of a ticket after it was issued.
type TicketMarked struct {
	Series string
	Number int64
	Mark   TicketMark
	Count  int64 // how often it was printed again, this time included; 0 where it was not
	Reason string
	By     string
}

// ReadingDiscarded is a reading that was refused and that a person put aside for good. Its fields are as sent.
type ReadingDiscarded struct {
	Content     []byte // what it comes to: the same reading sent again is known by it
	Scale       string
	Sequence    int64
	Time        time.Time // zero where it has none
	Digits      string
	Unit        string
	Weighed     int64 // 1 gross, 2 tare, 3 net
	Reference   string
	Rule        string // that refuses it
	RuleMessage string
	Reason      string
	By          string
}

// Kind names the event type.
func (ReadingDiscarded) Kind() string { return "reading-discarded" }

// Kind names the event type.
func (WeightKeyed) Kind() string { return "weight-keyed" }

// Kind names the event type.
func (WeightMatched) Kind() string { return "weight-matched" }

// Kind names the event type.
func (TicketIssued) Kind() string { return "ticket-issued" }

// Kind names the event type.
func (TicketMarked) Kind() string { return "ticket-marked" }
