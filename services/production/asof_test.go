package production_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// A vector that is not whole, or names positions that nobody has said, is refused at once by the costs of lots and runs and the balance alike.
// The deliberate break it catches: waiting for such a position until the deadline.
func TestAsOfIsWholeAndKnown(t *testing.T) {
	t.Parallel()
	p := stocked(t)
	_, err := p.client.RecordRun(t.Context(), shelling("R-1"))
	require.NoError(t, err)
	printed, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{})
	require.NoError(t, err)
	require.Len(t, printed.GetAsOf(), 3)
	same, err := p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{AsOf: printed.GetAsOf()})
	require.NoError(t, err)
	require.Equal(t, printed.GetLots(), same.GetLots())
	part := printed.GetAsOf()[:2]
	last := printed.GetAsOf()[2]
	beyond := append(part[:2:2], &eventv1.Receipt{Producer: last.GetProducer(), Epoch: last.GetEpoch() + 1, Position: 1})
	for want, vector := range map[string][]*eventv1.Receipt{"as_of_lacks": part, "position_unknown": beyond} {
		_, err = p.client.GetBalance(t.Context(), &productionv1.GetBalanceRequest{AsOf: vector})
		require.Equal(t, want, reason(err))
		_, err = p.client.GetLotCost(t.Context(), &productionv1.GetLotCostRequest{Lot: "D-1", AsOf: vector})
		require.Equal(t, want, reason(err))
		_, err = p.client.GetRunCost(t.Context(), &productionv1.GetRunCostRequest{Run: "R-1", AsOf: vector})
		require.Equal(t, want, reason(err))
	}
}
