package visit

import (
	"context"
	"time"

	"huskline/internal/lot"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/weighing"
)

// ReadingKey names a scale's reading by the scale's code.
type ReadingKey struct {
	Scale    string
	Sequence int64
}

// Want is what a use-case needs to know.
type Want struct {
	Party    lot.PartyID // empty: none
	Readings []ReadingKey
	Scales   []string
	Keyed    []int64
}

// Known is what is known of it.
type Known struct {
	Party    bool // it is registered
	Readings map[ReadingKey]weighing.Stored
	Used     map[ReadingKey]Use // of readings that were used, as themselves or as a keyed weight
	Keyed    map[int64]Keyed    // locked until the end of the transaction
	Scales   map[string]scale.Scale
}

// Tares is what stored tares need of a transaction.
type Tares interface {
	// Vehicle finds a vehicle; nil where it is not registered.
	Vehicle(ctx context.Context, plate string) (*lot.VehicleChanged, error)
	// SaveVehicle adds a version of a vehicle, which stands from now on; the earlier ones are kept.
	SaveVehicle(ctx context.Context, v lot.VehicleChanged) error
	// Tare finds a stored tare; nil where there is none.
	Tare(ctx context.Context, number int64) (*lot.TareStored, error)
	// SaveTare adds a stored tare.
	SaveTare(ctx context.Context, t lot.TareStored) error
}

// Keying is what keyed weights need of a transaction.
type Keying interface {
	// SaveKeyed adds a keyed weight. A second one of a scale's ticket is refused, unless it stands in place of the first.
	SaveKeyed(ctx context.Context, k lot.WeightKeyed) error
	// SaveMatch adds a match. A reading that is matched with another keyed weight is refused.
	SaveMatch(ctx context.Context, m lot.WeightMatched) error
}

// Tx is what visits need of a transaction.
type Tx interface {
	Tares
	Keying
	// Now is the one time of recording of the transaction.
	Now() time.Time
	// NextNumber gives the next number of a series, 1, 2, 3 … in the order of commits. A refused command gives it back.
	NextNumber(ctx context.Context, series string) (int64, error)
	// Visit finds a visit and locks it until the end of the transaction; nil where there is none.
	Visit(ctx context.Context, number int64) (*State, error)
	// OpenVisit is the number of a plate's open visit; 0: none.
	OpenVisit(ctx context.Context, plate string) (int64, error)
	// LookUp finds what is wanted.
	LookUp(ctx context.Context, w Want) (Known, error)
	// SaveWeighing adds a weighing; the first of a visit opens it. A reading that belongs to another weighing is refused, and a second open visit
	// of a plate.
	SaveWeighing(ctx context.Context, w lot.VisitWeighed, at time.Time) error
	// SaveClosing ends a visit.
	SaveClosing(ctx context.Context, c lot.VisitClosed) error
}

// The series of numbers.
const (
	visitSeries = "visit"
	tareSeries  = "tare"
)

// Proposal is what a plate suggests.
type Proposal struct {
	Plate   string
	Vehicle *lot.VehicleChanged // nil: not registered
	Open    int64               // number of its open visit; 0: none
	Opened  time.Time
	Party   lot.PartyID     // of its last visit
	Tare    *lot.TareStored // the newest that holds
}
