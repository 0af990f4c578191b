package lot

import (
	"time"

	"huskline/internal/weight"
)

// Draft is how a vehicle stood when it was weighed.
type Draft int

// The ways of standing: the whole vehicle at once; uncoupled elements, each at once; on several decks together; one end after the other, which
// prices no purchase (NIST Handbook 44, 2.20, UR.3.3).
const (
	SingleDraft Draft = iota + 1
	ElementDraft
	DecksDraft
	EndsDraft
)

// String names the way of standing.
func (d Draft) String() string {
	switch d {
	case SingleDraft:
		return "single"
	case ElementDraft:
		return "uncoupled elements"
	case DecksDraft:
		return "decks together"
	case EndsDraft:
		return "one end after the other"
	}
	return ""
}

// VehicleChanged is a vehicle as it stands from now on.
type VehicleChanged struct {
	Plate    string // capital letters and digits alone
	TareDays int64  // for how many days a stored tare of it holds; 0: none may be stored
	Note     string
}

// Indication is one weight of a weighing: a scale's reading, or one that a person keyed in.
type Indication struct {
	Scale    string // empty for a tare that was keyed in without one
	Sequence int64  // of the scale's reading; 0 where there is none
	Keyed    int64  // number of the keyed weight; 0 where it is a scale's reading
	Digits   string
	Unit     string
	Mass     weight.Mass
	Time     time.Time
}

// VisitWeighed is one weighing of a vehicle. The first opens the visit.
type VisitWeighed struct {
	Visit       int64
	Number      int64 // within the visit, from 1
	Plate       string
	Party       PartyID // whose goods it carries; empty where not known
	Draft       Draft
	DriverOn    bool
	Indications []Indication // their sum is the weight
	Supersedes  int64        // number of the weighing that this one stands in place of; 0: none
	Reason      string       // where it supersedes one
	Weigher     string
}

// VisitClosed ends a visit.
type VisitClosed struct {
	Visit  int64
	Tare   int64  // number of the stored tare that a single weighing is compared with; 0: none
	Reason string // where no weighing closed it
	By     string
}

// TareStored is a vehicle's tare kept for later visits.
type TareStored struct {
	Tare        int64 // its number
	Plate       string
	Visit       int64 // in which it was weighed; 0 where it was keyed in
	Weighing    int64 // of that visit
	Keyed       bool  // a person keyed it in: marked so wherever it is used
	Draft       Draft
	DriverOn    bool
	Indications []Indication
	Expires     time.Time
	Reason      string
	By          string
}

// Kind names the event type.
func (VehicleChanged) Kind() string { return "vehicle-changed" }

// Kind names the event type.
func (VisitWeighed) Kind() string { return "visit-weighed" }

// Kind names the event type.
func (VisitClosed) Kind() string { return "visit-closed" }

// Kind names the event type.
func (TareStored) Kind() string { return "tare-stored" }
