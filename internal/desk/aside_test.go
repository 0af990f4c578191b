package desk

import (
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"

	"huskline/internal/inbox"
	"huskline/internal/lot"
	eventv1 "huskline/proto/huskline/event/v1"
)

// The deliberate breaks it catches: detail left out, and an event that failed itself told as one that waits.
func TestAsideTellsWhyAndWhetherItWaits(t *testing.T) {
	t.Parallel()
	at := lot.Receipt{Producer: lot.Intake, Epoch: 2, Position: 7}
	wire := &eventv1.Receipt{Producer: "intake", Epoch: 2, Position: 7}
	table := map[string]struct {
		kept inbox.Quarantined
		want Aside
	}{
		"failed": {
			inbox.Quarantined{At: at, EventID: "e", Type: "lot-bought", Lots: []lot.ID{"D-1", "D-2"}, Reason: "lot_unknown", Detail: "lot D-2: not here", Attempts: 3},
			Aside{At: wire, EventID: "e", Type: "lot-bought", Lots: []string{"D-1", "D-2"}, Reason: "lot_unknown: lot D-2: not here", Attempts: 3},
		},
		"waits": {
			inbox.Quarantined{At: at, Reason: inbox.ReasonWaits, Behind: lot.Receipt{Producer: lot.Intake, Epoch: 2, Position: 3}},
			Aside{At: wire, Reason: "waits", Waiting: true},
		},
	}
	for name, row := range table {
		if d := cmp.Diff(row.want, asideOf(row.kept), protocmp.Transform()); d != "" {
			t.Errorf("%s (-want +got)\n%s", name, d)
		}
	}
}
