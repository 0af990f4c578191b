package inventory_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// A printed vector is whole, also where a producer has said nothing yet; a part of one, or one of things that nobody has said, is refused at once
// by drill and origins alike. The deliberate break it catches: waiting for such a position until the deadline.
func TestAsOfIsWholeAndKnown(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	printed, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1"})
	require.NoError(t, err)
	require.Len(t, printed.GetAsOf(), 3)
	again, err := p.as("auditor").Origins(t.Context(), &inventoryv1.OriginsRequest{Lot: "D-1", AsOf: printed.GetAsOf()})
	require.NoError(t, err)
	require.Len(t, again.GetAsOf(), 3)
	var part, beyond []*eventv1.Receipt
	for _, r := range printed.GetAsOf() {
		if r.GetProducer() != "intake" {
			part = append(part, r)
			beyond = append(beyond, r)
			continue
		}
		beyond = append(beyond, &eventv1.Receipt{Producer: "intake", Epoch: r.GetEpoch(), Position: r.GetPosition() + 500})
	}
	for want, vector := range map[string][]*eventv1.Receipt{"as_of_lacks": part, "position_unknown": beyond} {
		_, err = p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: "D-1", AsOf: vector})
		require.Equal(t, want, reason(err))
		_, err = p.as("auditor").Origins(t.Context(), &inventoryv1.OriginsRequest{Lot: "D-1", AsOf: vector})
		require.Equal(t, want, reason(err))
	}
}
