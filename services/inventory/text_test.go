package inventory_test

import (
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// Texts that cannot be stored or read are refused as such, wherever they stand in a message.
func TestControlCharactersAreRefused(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	for _, text := range []string{"a\x00b", "a\x1bb", "a\u0085b"} {
		_, err := p.as("quality").PlaceHold(t.Context(), &inventoryv1.PlaceHoldRequest{
			CommandId: uuid.NewString(), Lot: "D-1", Class: safety, Reason: text, Effective: stamp(clock()),
		})
		require.Equal(t, "text_malformed", reason(err), "%q", text)
		require.ErrorContains(t, err, "field reason, ")
	}
	_, err := p.as("quality").PlaceHold(t.Context(), &inventoryv1.PlaceHoldRequest{
		CommandId: uuid.NewString(), Hold: "H-1", Lot: "D-1", Class: safety, Reason: "two\n\tlines", Effective: stamp(clock()),
	})
	require.NoError(t, err)
	_, err = p.as("quality").ReleaseHold(t.Context(), &inventoryv1.ReleaseHoldRequest{CommandId: uuid.NewString(), Hold: "H-1", Reason: "\x00"})
	require.Equal(t, "text_malformed", reason(err))
	req := run{id: "R-1", in: map[string]int64{"D-1": 10}, out: map[string]int64{"K-1": 5}, at: day(3, 8), gain: "\x00"}.request()
	_, err = p.peer.PostMovement(t.Context(), req)
	require.Equal(t, "text_malformed", reason(err))
	require.ErrorContains(t, err, "field run.gain_reason, ")
}

// What left is no longer there to be decided about.
func TestDispositionBeyondWhatIsOnHand(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	_, err := p.ship("D-1", 40, day(3, 8))
	require.NoError(t, err)
	_, err = p.hold("quality", "H-1", "D-1", safety, false)
	require.NoError(t, err)
	decide := func(pounds int64) error {
		_, err := p.as("quality").DecideDisposition(t.Context(), &inventoryv1.DecideDispositionRequest{
			CommandId: uuid.NewString(), Hold: "H-1", Lot: "D-1", Decision: eventv1.Disposition_DISPOSITION_DESTROY, Quantity: pounds * pound, Reason: "x",
		})
		return err
	}
	err = decide(61)
	require.Equal(t, "disposition_beyond", reason(err))
	require.ErrorContains(t, err, "60.000 lb of it lie here, a disposition cannot cover 61.000 lb")
	require.NoError(t, decide(60))
}

// A time that is given is never said to be missing.
func TestEffectiveTimeLongAgo(t *testing.T) {
	t.Parallel()
	p := newPlant(t)
	p.receive("D-1", 100, day(2, 8))
	for at, want := range map[time.Time]string{
		{}: "time_out_of_range", time.Date(1, 1, 1, 0, 0, 1, 0, time.UTC): "before_birth", time.Date(1, 12, 31, 0, 0, 0, 0, time.UTC): "before_birth",
	} {
		_, err := p.ship("D-1", 1, at)
		require.Equal(t, want, reason(err), "%v", at)
	}
	_, err := p.as("shipper").ShipGoods(t.Context(), &inventoryv1.ShipGoodsRequest{
		CommandId: uuid.NewString(), Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "SHOP", Lines: []*eventv1.ShippedLine{{Lot: "D-1", Quantity: pound}},
	})
	require.Contains(t, []string{"effective_missing", "form"}, reason(err))
}
