package device

import (
	"context"

	"huskline/services/huskline/internal/weighqueue"
)

// Source is a kind of device. Text frames over TCP and serial lines, files that grow and topics of an MQTT broker are here; registers of Modbus and nodes
// of OPC UA can come beside them: whoever reads those fills in readings in the same way and knows nothing of queues and numbers.
type Source interface {
	// Run reads until ctx ends, and then returns nil. It connects again by itself and never ends for what a device does; an error is a sink that failed
	// for good.
	Run(ctx context.Context, sink Sink) error
}

// Sink takes what a source reads. Its methods are called one at a time.
type Sink interface {
	// Keep returns once the entries are safe, all or none. Those without a sequence are given one. An error of kind precondition or unavailable is for
	// now; of kind invalid, about these readings; any other is for good.
	Keep(entries ...weighqueue.Entry) error
	// Rearmed notes that a scale was seen empty.
	Rearmed(scale string) error
	// Tell says what a person at the scale should know. A source tells a state once, not with each frame.
	Tell(n Notice)
}

// Notice is something to be told.
type Notice struct {
	Reason  string // stable, snake_case
	Message string
	Alarm   bool // goods may go uncounted unless somebody acts
}
