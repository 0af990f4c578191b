// Package lot is what the three services say to each other about lots: identities, the bodies of lot events, and the codes
// painted on bins and bags. It holds values only; lotwire turns them into the bytes of the contract.
package lot

import (
	"time"
)

// ID is a lot's code, its identity everywhere and for good.
type ID string

// PartyID names a party: a seller, custom client, customer, supplier or own orchard. Empty where the company itself is meant.
type PartyID string

// ItemID names an item: a thing that can lie in a lot.
type ItemID string

// RunID names a run: lots through one stage on one line, in one go.
type RunID string

// PlaceID names a place where goods stand. Empty means the plant's default place.
type PlaceID string

// Measure says what a lot's quantities count.
type Measure int

// A quantity of an item kept by weight is in micropounds, of an item kept by count in pieces.
const (
	ByWeight Measure = iota + 1
	ByCount
)

// Quantity is micropounds for a lot kept by weight, pieces for a lot kept by count.
type Quantity int64

// Producer names a service, or later a station, that says events.
type Producer string

// The three producers of a plant.
const (
	Intake     Producer = "intake"
	Inventory  Producer = "inventory"
	Production Producer = "production"
)

// Receipt is a place in one producer's sequence of events.
type Receipt struct {
	Producer Producer
	Epoch    int64 // 1, 2, 3 …: the producer's life since it was last restored to an earlier moment
	Position int64 // 1, 2, 3 … dense; 0 is before the first event
}

// Event is something that happened to lots, as a use-case says it. The id, the actor, the recorded time, the position and the hash are
// added when it is recorded.
type Event struct {
	Lots      []ID      // every lot it names, each once
	Effective time.Time // when it happened at the plant, UTC, to the microsecond
	Body      Body
}

// Recorded is an event with its place in its producer's sequence.
type Recorded struct {
	Receipt
	EventID    string // UUIDv7
	RecordedAt time.Time
	Actor      string
	After      []Receipt // what its producer had applied of the others
	Event
}

// Body is one of the event bodies of this package; Kind is its stable name, the last token of its subject.
type Body interface{ Kind() string }
