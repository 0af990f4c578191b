package inventory_test

import (
	"context"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// ledgerStart is before the first event of all.
const ledgerStart = "inventory/1/0,intake/1/0,production/1/0,0"

// view is a caller of WatchBalances that adds up what it is told.
type view struct {
	p      *plant
	stream inventoryv1.InventoryService_WatchBalancesClient
	stop   context.CancelFunc
	resume string
	told   int              // messages with changes
	sums   map[string]int64 // by lot, pounds
	last   map[string]int64 // by lot and place, as the messages give it
}

func (p *plant) watch(req *inventoryv1.WatchBalancesRequest) *view {
	p.t.Helper()
	v := &view{p: p, sums: map[string]int64{}, last: map[string]int64{}}
	v.open(req)
	return v
}

func (v *view) open(req *inventoryv1.WatchBalancesRequest) {
	ctx, stop := context.WithTimeout(v.p.t.Context(), time.Minute)
	v.p.t.Cleanup(stop)
	v.stop = stop
	var err error
	v.stream, err = v.p.as("watcher").WatchBalances(ctx, req)
	require.NoError(v.p.t, err)
	v.next() // where it stands
}

func (v *view) next() *inventoryv1.WatchBalancesResponse {
	v.p.t.Helper()
	m, err := v.stream.Recv()
	require.NoError(v.p.t, err)
	v.resume = m.GetResume()
	for _, c := range m.GetChanges() {
		v.sums[c.GetLot()] += c.GetChange() / pound
		v.last[c.GetLot()+"@"+c.GetPlace()] = c.GetQuantity() / pound
	}
	if len(m.GetChanges()) > 0 {
		v.told++
	}
	return m
}

// until reads on until the sums are these; a lot that is not named has nothing.
func (v *view) until(want map[string]int64) {
	v.p.t.Helper()
	for {
		got := map[string]int64{}
		for id, n := range v.sums {
			if n != 0 {
				got[id] = n
			}
		}
		if cmp.Equal(want, got) {
			return
		}
		if v.next(); v.told > 100 {
			v.p.t.Fatalf("after 100 messages the view has %v, want %v", v.sums, want)
		}
	}
}

// Changes add up to the balances, corrections among them, live and from any position on; and a caller that goes on from each message in turn is
// told each event once. The deliberate breaks it catches: lines that a correction takes away and is not told of, a position that repeats the event
// it was given with or leaves out the next.
func TestWatchBalances(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	live := p.watch(&inventoryv1.WatchBalancesRequest{})
	p.receive("D-1", 100, day(2, 8))
	live.until(map[string]int64{"D-1": 100})
	p.receive("D-2", 50, day(2, 8))
	p.mustPost(run{id: "R-1", in: map[string]int64{"D-1": 60, "D-2": 10}, out: map[string]int64{"K-1": 40}, at: day(3, 8)})
	live.until(map[string]int64{"D-1": 40, "D-2": 40, "K-1": 40})
	_, err := p.correct(&eventv1.LotsCorrected{Runs: []*eventv1.RunPosted{run{
		id: "R-1", in: map[string]int64{"D-1": 50}, out: map[string]int64{"K-1": 30}, at: day(3, 8), version: 2,
	}.posted()}})
	require.NoError(t, err)
	want := map[string]int64{"D-1": 50, "D-2": 50, "K-1": 30}
	live.until(want)
	_, err = p.ship("K-1", 5, day(5, 8))
	require.NoError(t, err)
	want["K-1"] = 25
	live.until(want)
	for id, pounds := range want {
		require.Equal(t, pounds, p.onHand(id), id)
		require.Equal(t, pounds, live.last[id+"@"], id)
	}

	again := p.watch(&inventoryv1.WatchBalancesRequest{After: ledgerStart})
	again.until(want)
	require.Equal(t, live.told, again.told)
	one := p.watch(&inventoryv1.WatchBalancesRequest{After: ledgerStart, Lots: []string{"K-1"}})
	one.until(map[string]int64{"K-1": 25})
	require.Equal(t, 3, one.told)

	byOne := &view{p: p, sums: map[string]int64{}, last: map[string]int64{}, resume: ledgerStart}
	for byOne.told < live.told {
		byOne.stream, err = p.as("watcher").WatchBalances(t.Context(), &inventoryv1.WatchBalancesRequest{After: byOne.resume})
		require.NoError(t, err)
		for before := byOne.told; byOne.told == before; {
			byOne.next()
		}
	}
	byOne.until(want)
}

func TestWatchRefusesWhatIsNoPosition(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	for after, want := range map[string]string{
		"x": "mark_malformed", "inventory/1/0,0": "mark_malformed", "inventory/1/0,intake/1/0,production/1/0,-1": "mark_malformed",
		"inventory/1/999,intake/1/0,production/1/0,0": "position_unknown", "inventory/1/0,intake/2/0,production/1/0,0": "position_unknown",
	} {
		stream, err := p.as("watcher").WatchBalances(t.Context(), &inventoryv1.WatchBalancesRequest{After: after})
		require.NoError(t, err)
		_, err = stream.Recv()
		require.Equal(t, want, reason(err), after)
	}
}

// A view ends when the service begins to stop, without being waited for.
func TestWatchEndsAtDrain(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	v := p.watch(&inventoryv1.WatchBalancesRequest{})
	p.service.Drain()
	_, err := v.stream.Recv()
	require.Equal(t, "stopping", reason(err))
}
