package feed

import (
	"slices"

	"huskline/internal/lot"
)

// Hash is a link of a producer's chain; zero before the first event.
type Hash [32]byte

// Entry is an offered envelope, as far as the feed looks at it. Value goes along unread.
type Entry[T any] struct {
	lot.Receipt
	Previous, Hash Hash
	Lots           []lot.ID      // every lot it names or creates
	After          []lot.Receipt // positions of other producers to settle before it
	Fault          string        // stable reason why it can never be applied (undecodable, of a later version); empty where it is sound
	Forged         bool          // its hash is not that of its content
	Pulled         bool          // it came from its producer, not from the bus
	Value          T
}

// Created lists the lots that a body brings into being: what waits for the event that bears it waits for them as well.
func Created(body lot.Body) []lot.ID {
	switch b := body.(type) {
	case lot.Received:
		return []lot.ID{b.Lot}
	case lot.DeliveryCorrected:
		return []lot.ID{b.Now.Lot}
	case lot.Bought:
		return []lot.ID{b.NewLot}
	case lot.RunPosted:
		return outputs(nil, b)
	case lot.Poured:
		return []lot.ID{b.Bin}
	case lot.Returned:
		return []lot.ID{b.Lot}
	case lot.Corrected:
		return corrected(b)
	}
	return nil
}

func corrected(b lot.Corrected) []lot.ID {
	var ids []lot.ID
	for _, d := range b.Deliveries {
		ids = append(ids, d.Now.Lot)
	}
	for _, r := range b.Runs {
		ids = outputs(ids, r)
	}
	for _, p := range b.Pours {
		ids = append(ids, p.Bin)
	}
	return ids
}

func outputs(ids []lot.ID, r lot.RunPosted) []lot.ID {
	for _, o := range r.Outputs {
		ids = append(ids, o.Lot)
	}
	return ids
}

// Lots is every lot that an event names or creates, each once.
func Lots(e lot.Event) []lot.ID {
	all := slices.Concat(e.Lots, Created(e.Body))
	all = slices.DeleteFunc(all, func(id lot.ID) bool { return id == "" })
	slices.Sort(all)
	return slices.Compact(all)
}

// Compare orders receipts of one producer: by epoch, then position.
func Compare(a, b lot.Receipt) int {
	switch {
	case a.Epoch != b.Epoch:
		return sign(a.Epoch - b.Epoch)
	default:
		return sign(a.Position - b.Position)
	}
}

func sign(n int64) int {
	switch {
	case n < 0:
		return -1
	case n > 0:
		return 1
	}
	return 0
}
