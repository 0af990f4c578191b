package genealogy

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
)

// Every way pounds enter, leave or are carried is at its own place, and a view of the past shows where they stood then.
func TestPiles(t *testing.T) {
	t.Parallel()
	at := func(hour int) time.Time { return start.Add(time.Duration(hour) * time.Hour) }
	x := New()
	for i, e := range []lot.Event{
		{Effective: at(1), Body: lot.Received{Lot: "D", Source: lot.Delivery, Measure: lot.ByWeight, Quantity: 100, Place: "yard"}},
		{Effective: at(2), Body: lot.Moved{Movement: "M-1", Lot: "D", Quantity: 60, From: "yard", To: "hall"}},
		{Effective: at(2), Body: lot.Moved{Movement: "M-1", Lot: "D", Quantity: 60, From: "yard", To: "hall"}},
		{Effective: at(3), Body: lot.RunPosted{Run: "R", Version: 1, Final: true,
			Inputs:  []lot.RunInput{{Line: 1, Lot: "D", Quantity: 50, Place: "hall", At: at(3)}},
			Outputs: []lot.RunOutput{{Line: 1, Lot: "K", Quantity: 40, Measure: lot.ByWeight, Place: "cold", At: at(3)}}}},
		{Effective: at(4), Body: lot.Poured{Pour: "P", Bin: "B", Measure: lot.ByWeight, Lot: "D", Quantity: 30, Place: "yard", BinPlace: "bin"}},
		{Effective: at(5), Body: lot.Adjusted{Adjustment: "A", Lot: "B", Place: "bin", Delta: -5}},
		{Effective: at(6), Body: lot.Shipped{Shipment: "S", Lines: []lot.ShipmentLine{{Line: 1, Lot: "K", Quantity: 40, Place: "cold"}}}},
		{Effective: at(7), Body: lot.Returned{Return: "T", Shipment: "S", Line: 1, Origin: "K", Lot: "V", Measure: lot.ByWeight, Quantity: 3}},
	} {
		require.NoError(t, x.Apply(lot.Recorded{Receipt: lot.Receipt{Producer: lot.Inventory, Epoch: 1, Position: int64(i + 1)}, Event: e}))
	}
	for _, test := range []struct {
		id   lot.ID
		at   time.Time
		want []Pile
	}{
		{"D", at(1), []Pile{{"yard", 100}}},
		{"D", at(2), []Pile{{"hall", 60}, {"yard", 40}}},
		{"D", time.Time{}, []Pile{{"hall", 10}, {"yard", 10}}},
		{"B", time.Time{}, []Pile{{"bin", 25}}},
		{"K", at(5), []Pile{{"cold", 40}}},
		{"K", time.Time{}, nil},
		{"V", time.Time{}, []Pile{{"", 3}}},
	} {
		got, err := x.View(test.at).Piles(test.id)
		require.NoError(t, err)
		if diff := cmp.Diff(test.want, got); diff != "" {
			t.Errorf("piles of %s at %v (-want +got):\n%s", test.id, test.at, diff)
		}
	}
}
