package inventory_test

import (
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// yard is what the test itself thinks lies of a lot, in pounds.
type yard struct {
	loose map[string]int64 // by place
	in    map[string]int64 // by container
	at    map[string]string
}

// fits tells whether a draw may be taken; take takes it, from containers in the order in which they are named, else from loose goods.
func (y *yard) fits(place string, pounds int64, containers []string) bool {
	sum := y.loose[place]
	if len(containers) > 0 {
		sum = 0
	}
	for _, c := range containers {
		if y.at[c] != place {
			return false
		}
		sum += y.in[c]
	}
	return pounds <= sum
}

func (y *yard) take(place string, pounds int64, containers []string) {
	if len(containers) == 0 {
		y.loose[place] -= pounds
	}
	for _, c := range containers {
		q := min(pounds, y.in[c])
		y.in[c], pounds = y.in[c]-q, pounds-q
	}
}

// lose takes loose goods of a place, then what its containers hold, by code; it tells whether there was enough.
func (y *yard) lose(place string, pounds int64) bool {
	sum := y.loose[place]
	var here []string
	for c, at := range y.at {
		if at == place {
			here, sum = append(here, c), sum+y.in[c]
		}
	}
	if pounds > sum {
		return false
	}
	slices.Sort(here)
	q := min(pounds, y.loose[place])
	y.loose[place] -= q
	y.take(place, pounds-q, append(here, "")) // never loose goods
	return true
}

func (y *yard) containers() (out []string) {
	for _, c := range slices.Sorted(maps.Keys(y.in)) {
		if y.in[c] > 0 {
			out = append(out, fmt.Sprintf("%s %s %d []", c, y.at[c], y.in[c]))
		}
	}
	return out
}

// Whatever is shipped, carried and counted of lots in containers, the service takes what a yard of the test's own takes, refuses what that
// refuses, and both hold the same. The deliberate break it catches: a container that is drawn on by what does not name it.
func TestContainersAgreeWithAYard(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 1000, day(2, 8))
	for _, place := range []string{"a", "b"} {
		_, err := p.as("clerk").RegisterPlace(t.Context(), &inventoryv1.RegisterPlaceRequest{CommandId: uuid.NewString(), Place: &inventoryv1.Place{Place: place}})
		require.NoError(t, err)
	}
	const seed = 1
	rnd, accepted := rand.New(rand.NewPCG(seed, 0)), 0
	for n := range 3 {
		id := fmt.Sprintf("K-%d", n)
		p.filled("D-1", id, fill{"C1", 30, 9}, fill{"C2", 40, 10}, fill{"C3", 20, 10}, fill{"", 50, 11})
		y := &yard{loose: map[string]int64{"": 50}, in: map[string]int64{"C1": 30, "C2": 40, "C3": 20}, at: map[string]string{"C1": "", "C2": "", "C3": ""}}
		for step := range 30 {
			if p.step(rnd, y, id, day(5, 8).Add(time.Duration(step)*time.Minute)) {
				accepted++
			}
			require.Equal(t, y.containers(), p.containers(id), "seed %d, lot %s, step %d", seed, id, step)
		}
	}
	require.Greater(t, accepted, 30, "most of it must be possible for the test to mean something")
	p.quiet()
}

// step does something by chance, at the yard and at the service, which must agree on whether it can be done.
func (p *plant) step(rnd *rand.Rand, y *yard, id string, at time.Time) bool {
	t := p.t
	t.Helper()
	places := []string{"", "a", "b"}
	place, pounds := places[rnd.IntN(3)], 1+rnd.Int64N(12)
	var named []string
	for _, c := range []string{"C1", "C2", "C3"} {
		if y.in[c] > 0 && rnd.IntN(3) == 0 {
			named = append(named, c)
		}
	}
	if len(named) > 0 && rnd.IntN(5) > 0 {
		place = y.at[named[0]]
	}
	switch rnd.IntN(4) {
	case 0, 1:
		m := &inventoryv1.MoveLotRequest{
			CommandId: uuid.NewString(), Lot: id, Quantity: pounds, FromPlace: place, ToPlace: places[1+rnd.IntN(2)], Effective: stamp(at), Containers: named,
		}
		return p.stepMove(y, m)
	case 2:
		can := y.lose(place, pounds)
		_, err := p.as("clerk").AdjustLot(t.Context(), &inventoryv1.AdjustLotRequest{
			CommandId: uuid.NewString(), Lot: id, Place: place, Delta: -pounds * pound, Reason: "damage", Effective: stamp(at),
		})
		require.Equal(t, can, err == nil, "lose %d lb of %s at %q: %v", pounds, id, place, err)
		return can
	}
	can := y.fits(place, pounds, named)
	if can {
		y.take(place, pounds, named)
	}
	_, err := p.shipFromPlace(id, place, pounds, at, named...)
	require.Equal(t, can, err == nil, "ship %d lb of %s at %q from %v: %v", pounds, id, place, named, err)
	return can
}

// stepMove carries loose pounds, or the containers named with all that is in them.
func (p *plant) stepMove(y *yard, m *inventoryv1.MoveLotRequest) bool {
	from, to, named := m.GetFromPlace(), m.GetToPlace(), m.GetContainers()
	if len(named) > 0 {
		m.Quantity = 0
	}
	for _, c := range named {
		m.Quantity += y.in[c]
	}
	can := y.fits(from, m.GetQuantity(), named) && from != to
	if can && len(named) == 0 {
		y.loose[from] -= m.GetQuantity()
		y.loose[to] += m.GetQuantity()
	}
	for _, c := range named {
		if can {
			y.at[c] = to
		}
	}
	m.Quantity *= pound
	_, err := p.as("clerk").MoveLot(p.t.Context(), m)
	require.Equal(p.t, can, err == nil, "carry %v: %v", m, err)
	return can
}
