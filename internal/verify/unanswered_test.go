package verify

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// TestUnansweredQuestionsAreNamed: what a service cannot answer of one lot, or has set aside, is a difference, and everything else is still
// compared. The deliberate break it catches: a canceled answer taken for the end of the verification.
func TestUnansweredQuestionsAreNamed(t *testing.T) {
	t.Parallel()
	a := answersOf(t, busy(t).facts)
	whole, err := Run(t.Context(), a.services())
	require.NoError(t, err)
	a.refuse = func(rpc, subject string) error {
		switch rpc + " " + subject {
		case "Drill N-1":
			return status.Error(codes.Canceled, "context canceled")
		case "GetLotCost D-2":
			return status.Error(codes.NotFound, "no known fact has made it")
		case "ListQuarantine intake":
			return status.Error(codes.PermissionDenied, "not for this token")
		}
		return nil
	}
	a.aside = []*inventoryv1.QuarantinedEvent{
		{At: &eventv1.Receipt{Producer: "intake", Epoch: 1, Position: 7}, EventId: "e-7", Type: "lot-received", Reason: "item_unknown: no item"},
		{At: &eventv1.Receipt{Producer: "intake", Epoch: 1, Position: 9}, EventId: "e-9", Type: "lot-bought", Reason: "waits: for it", Waiting: true},
	}
	r, err := Run(t.Context(), a.services())
	require.NoError(t, err)
	want := []Difference{
		{"lot cost", "D-2", "an answer", "cost of lot D-2: rpc error: code = NotFound desc = no known fact has made it"},
		{"drill", "N-1", "an answer", "drill of N-1: rpc error: code = Canceled desc = context canceled"},
		{"quarantine", "intake", "an answer", "rpc error: code = PermissionDenied desc = not for this token"},
		{"quarantine", "inventory: intake/1/7 lot-received e-7", "applied", "set aside: item_unknown: no item"},
		{"quarantine", "inventory: intake/1/9 lot-bought e-9", "applied", "waits: waits: for it"},
	}
	if d := cmp.Diff(want, r.Differences); d != "" {
		t.Errorf("(-want +got)\n%s", d)
	}
	lost := map[string]int64{"drills": 1, "costs of lots": 1, "services asked for their quarantine": 1}
	for _, c := range whole.Compared {
		for _, d := range r.Compared {
			if c.Name == d.Name && c.N-lost[c.Name] != d.N {
				t.Errorf("%s: %d compared, want %d", c.Name, d.N, c.N-lost[c.Name])
			}
		}
	}
}

// TestEndedVerification: when the caller gives up, that is no difference of a lot.
func TestEndedVerification(t *testing.T) {
	t.Parallel()
	a := answersOf(t, busy(t).facts)
	ctx, cancel := context.WithCancel(t.Context())
	a.refuse = func(string, string) error {
		cancel()
		return status.Error(codes.Canceled, "context canceled")
	}
	_, err := Run(ctx, a.services())
	require.ErrorIs(t, err, context.Canceled)
}
