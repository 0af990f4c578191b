package production_test

import (
	"fmt"
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"pgregory.net/rapid"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// Whatever charges are put on whatever runs, and whichever of them stand in place of others: the conversion of all runs is the charges that
// stand, to the last millionth, and no proof line is out. Breaks it catches: a charge that is replaced and still counts, a split that rounds
// each part, labour at hours x rate rounded down.
func TestChargesAddUp(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	runs := []string{"R-0", "R-1", "R-2"}
	for i, run := range runs {
		req := shelling(run)
		req.Run.Charges = nil
		req.Run.Inputs[0].Quantity = lb(80) + int64(i)*7_777_777
		for _, out := range req.Run.Outputs {
			out.Lot, out.Quantity = fmt.Sprintf("%s-%d", out.Lot, i), out.Quantity/10
		}
		_, err := p.client.RecordRun(t.Context(), req)
		require.NoError(t, err)
	}
	var sum int64
	standing := map[string]int64{}
	rapid.Check(t, func(r *rapid.T) {
		c := &eventv1.ChargePosted{Charge: uuid.NewString(), Runs: rapid.SliceOfNDistinct(rapid.SampledFrom(runs), 1, 3, rapid.ID[string]).Draw(r, "runs")}
		if rapid.Bool().Draw(r, "by the hour") {
			c.Kind, c.HoursMillionths, c.RateMicros = labour, rapid.Int64Range(1, 1e8).Draw(r, "hours"), rapid.Int64Range(1, 1e8).Draw(r, "rate")
		} else {
			c.Kind, c.AmountMicros = other, rapid.Int64Range(0, 1e9).Draw(r, "amount")
		}
		if len(standing) > 0 && rapid.Bool().Draw(r, "replaces") {
			for id := range standing {
				c.Replaces = id
				break
			}
		}
		got, err := p.client.PostCharge(t.Context(), &productionv1.PostChargeRequest{CommandId: uuid.NewString(), Charge: c, Effective: at(11, 0)})
		if err != nil {
			r.Fatal(err)
		}
		if c.HoursMillionths > 0 {
			if d := 2 * (got.GetAmountMicros()*1_000_000 - c.HoursMillionths*c.RateMicros); d > 1_000_000 || d <= -1_000_000 {
				r.Fatalf("%d x %d gave %d, which is not half up", c.HoursMillionths, c.RateMicros, got.GetAmountMicros())
			}
		}
		sum += got.GetAmountMicros() - standing[c.Replaces]
		delete(standing, c.Replaces)
		standing[c.Charge] = got.GetAmountMicros()
	})
	var conversion int64
	for _, run := range runs {
		account, err := p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: run})
		require.NoError(t, err)
		conversion += account.GetConversion().GetPaidStockMicros()
	}
	require.Equal(t, sum, conversion)
	b, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{})
	require.NoError(t, err)
	for _, line := range b.GetProof() {
		require.Zero(t, line.GetDifference(), line.GetName())
	}
}

// What others read of production is its chain without a gap, whatever page they ask for; and a service that starts anew answers as before.
func TestOwnEventsAndRestart(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	for i := range 3 {
		req := shelling(fmt.Sprintf("R-%d", i))
		req.Run.Inputs[0].Quantity = lb(100)
		for _, out := range req.Run.Outputs {
			out.Lot, out.Quantity = fmt.Sprintf("%s-%d", out.Lot, i), out.Quantity/10
		}
		_, err := p.client.RecordRun(t.Context(), req)
		require.NoError(t, err)
	}
	before, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{})
	require.NoError(t, err)
	head, err := p.client.GetHead(t.Context(), &productionv1.GetHeadRequest{})
	require.NoError(t, err)
	require.Equal(t, int64(12), head.GetHead().GetAt().GetPosition())
	require.Len(t, head.GetApplied(), 2)
	for _, limit := range []int64{0, 1, 5, 100} {
		stream, err := p.client.ReadEvents(t.Context(), &productionv1.ReadEventsRequest{Epoch: 1, AfterPosition: 3, Limit: limit})
		require.NoError(t, err)
		var got []*eventv1.Envelope
		for page, err := stream.Recv(); err == nil; page, err = stream.Recv() {
			got = append(got, page.GetEnvelopes()...)
		}
		want := int64(9)
		if limit > 0 {
			want = min(want, limit)
		}
		require.Len(t, got, int(want))
		for i, env := range got {
			require.NoError(t, lotwire.Verify(env))
			require.Equal(t, int64(4+i), env.GetPosition())
			if i > 0 {
				require.Equal(t, got[i-1].GetHash(), env.GetPreviousHash())
			}
		}
	}
	p.stop()
	p.start()
	after, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{})
	require.NoError(t, err)
	same(t, "balance after a restart", after, before)
}

// A database that is behind answers what it has and names who could not be asked.
func TestSilentPeerIsNamed(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	p.peers[lot.Intake] = serve(t, func(grpc.ServiceRegistrar) {})
	p.stop()
	p.start()
	b, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{})
	require.NoError(t, err)
	require.Equal(t, []string{"intake: cannot be reached"}, b.GetMissing())
	req := shelling("R-2")
	req.Run.Outputs[0].Item = "quarters"
	_, err = p.client.RecordRun(t.Context(), req)
	require.Equal(t, "behind", reason(err), "an item that is not known here may be known there: no refusal")
}
