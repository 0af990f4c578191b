package intake_test

import (
	"errors"
	"io"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// line is the n-th reading of a scale, of a minute of its own.
func line(scale string, n int64, digits string) *intakev1.Reading {
	return &intakev1.Reading{
		Scale: scale, Sequence: n, Time: timestamppb.New(day(3, 8).Add(time.Duration(n) * time.Minute)), Digits: digits, Unit: "LBR",
		Kind: intakev1.ReadingKind_READING_KIND_GROSS,
	}
}

// Everything that an import of a season asks of intake, once and then again: the second time nothing is added.
func TestSeason(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	delivery := delivered("D-1")
	delivery.Delivery.Claimant = id()
	receipt := &intakev1.ReceiveIngredientRequest{
		CommandId: id(), Lot: "R-1", Supplier: "U1", Item: "SUGAR", Quantity: 50_000_000, CostMicros: 31_500_000, SupplierLot: "X9",
		Effective: timestamppb.New(day(2, 10)),
	}
	price := &intakev1.SettlePriceRequest{CommandId: id(), Lot: "D-1", PriceMicrosPerLb: 1_300_000, Effective: timestamppb.New(day(9, 9))}
	batch := &intakev1.StreamReadingsRequest{
		CommandId: id(), Historic: true, Readings: []*intakev1.Reading{line("W", 2, "10"), line("W", 1, "20.5"), line("W", 2, "10"), line("V", 1, "3")},
	}
	for range 2 {
		d, err := g.client.RecordDelivery(ctx, delivery)
		require.NoError(t, err)
		require.EqualValues(t, 1_000_500_000, d.GetNetMicropounds())
		require.EqualValues(t, 1_250_630_000, d.GetPurchaseMicros(), "1000.5 lb at 1.25 is 1250.625, half up to the cent")
		_, err = g.client.ReceiveIngredient(ctx, receipt)
		require.NoError(t, err)
		s, err := g.client.SettlePrice(ctx, price)
		require.NoError(t, err)
		require.EqualValues(t, 1_300_650_000, s.GetPurchaseMicros())
		stream, err := g.client.StreamReadings(ctx)
		require.NoError(t, err)
		require.NoError(t, stream.Send(batch))
		answer, err := stream.Recv()
		require.NoError(t, err)
		require.Equal(t, batch.GetCommandId(), answer.GetCommandId())
		require.EqualValues(t, 3, answer.GetStored())
		require.EqualValues(t, 1, answer.GetRepeated())
		require.NoError(t, stream.CloseSend())
		_, err = stream.Recv()
		require.ErrorIs(t, err, io.EOF)
		totals, err := g.client.GetFeedTotals(ctx, &intakev1.GetFeedTotalsRequest{})
		require.NoError(t, err)
		require.EqualValues(t, 4, totals.GetLines())
		require.EqualValues(t, 3, totals.GetDistinct())
	}
	head, err := g.client.GetHead(ctx, &intakev1.GetHeadRequest{})
	require.NoError(t, err)
	require.EqualValues(t, 10, head.GetHead().GetAt().GetPosition(), "three parties, three items, and four facts")
	events, err := g.client.ReadEvents(ctx, &intakev1.ReadEventsRequest{Epoch: 1})
	require.NoError(t, err)
	n := 0
	for {
		page, err := events.Recv()
		if errors.Is(err, io.EOF) {
			break
		}
		require.NoError(t, err)
		n += len(page.GetEnvelopes())
	}
	require.Equal(t, 10, n)
}
