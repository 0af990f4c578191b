package follow_test

import (
	"context"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/fault"
	"huskline/internal/lot"
)

// whole is a vector as the inventory prints it: these places, and the beginning of whoever is not among them.
func whole(at ...lot.Receipt) []lot.Receipt {
	vector := []lot.Receipt{{Producer: lot.Inventory, Epoch: 1}, {Producer: lot.Intake, Epoch: 1}, {Producer: lot.Production, Epoch: 1}}
	for _, r := range at {
		vector[slices.IndexFunc(vector, func(v lot.Receipt) bool { return v.Producer == r.Producer })] = r
	}
	return vector
}

// TestAskedRefusesAtOnce: a vector that is not whole, or reaches beyond what there is, is refused long before the deadline. The deliberate breaks it
// catches: waiting for a position that nobody has said, and reading a producer that is not named as one that said nothing.
func TestAskedRefusesAtOnce(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	own, heard := p.say(clock, nil, "L1"), p.hear(lot.Intake, clock, nil, "L2")
	p.settled()
	f := p.follower()
	at := func(name lot.Producer, epoch, position int64) lot.Receipt {
		return lot.Receipt{Producer: name, Epoch: epoch, Position: position}
	}
	table := []struct {
		name         string
		vector       []lot.Receipt
		reach        []string
		kind         fault.Kind
		reason, text string
	}{
		{"lacks one", whole(own, heard)[:2], nil, fault.KindInvalid, "as_of_lacks", "as_of names no position of production; print a whole vector"},
		{"lacks itself", whole(own, heard)[1:], nil, fault.KindInvalid, "as_of_lacks", "as_of names no position of inventory"},
		{"twice", append(whole(own), heard), nil, fault.KindInvalid, "as_of_twice", "two positions of intake"},
		{"a stranger", append(whole(own), at("mars", 1, 1)), nil, fault.KindInvalid, "as_of_unknown", "mars"},
		{"beyond another's head", whole(own, at(lot.Intake, 1, 9999)), nil, fault.KindInvalid, "position_unknown",
			"as_of intake/1/9999: the highest position of intake known here is intake/1/1"},
		{"beyond its own head", whole(at(lot.Inventory, 1, 2), heard), nil, fault.KindInvalid, "position_unknown",
			"as_of inventory/1/2: the highest position of inventory known here is inventory/1/1"},
		{"an epoch that is not", whole(own, at(lot.Production, 2, 0)), nil, fault.KindInvalid, "position_unknown",
			"as_of production/2/0: the highest position of production known here is production/1/0"},
		{"of somebody who is away", whole(own, at(lot.Intake, 1, 2)), []string{"intake: cannot be reached"}, fault.KindPrecondition,
			"position_unknown", "known here is intake/1/1; intake: cannot be reached"},
	}
	for _, row := range table {
		t.Run(row.name, func(t *testing.T) {
			t.Parallel()
			ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
			defer cancel()
			reach := func(ctx context.Context) []string { return append(p.in.Reach(ctx), row.reach...) }
			begun := time.Now()
			err := f.Asked(ctx, row.vector, reach, func(*index, []lot.Receipt) error { return errStop })
			require.Equal(t, row.reason, fault.ReasonOf(err))
			require.Equal(t, row.kind, fault.KindOf(err))
			require.ErrorContains(t, err, row.text)
			require.Less(t, time.Since(begun), 30*time.Second)
		})
	}
}

// TestAskedReachesFirst: what another has said and this service has not taken in yet is fetched; what it holds asks nobody.
func TestAskedReachesFirst(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	own, heard := p.say(clock, nil, "L1"), p.hear(lot.Intake, clock, nil, "L2")
	p.settled()
	f := p.follower()
	ask := func(vector []lot.Receipt, reach func(context.Context) []string) (ids []string, asOf []lot.Receipt) {
		require.NoError(t, f.Asked(t.Context(), vector, reach, func(x *index, at []lot.Receipt) error {
			ids, asOf = slices.Clone(x.ids), at
			return nil
		}))
		return ids, asOf
	}
	ids, asOf := ask(whole(own, heard), func(context.Context) []string { panic("asked for what is here") })
	require.Len(t, ids, 2)
	require.Equal(t, whole(own, heard), asOf)
	var later lot.Receipt
	next := heard
	next.Position++
	ids, asOf = ask(whole(own, next), func(ctx context.Context) []string {
		later = p.hear(lot.Intake, clock, nil, "L3")
		return p.in.Reach(ctx)
	})
	require.Len(t, ids, 3)
	require.Equal(t, whole(own, later), asOf)
}
