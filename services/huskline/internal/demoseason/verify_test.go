package demoseason_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/lotwire"
	"huskline/internal/season"
	"huskline/internal/verify"
	eventv1 "huskline/proto/huskline/event/v1"
	"huskline/services/huskline/internal/demoseason"
)

// TestMadeUpSeasonsAreSound holds made-up seasons against the verifier's own rules of stock, owners, lineage and money.
func TestMadeUpSeasonsAreSound(t *testing.T) {
	t.Parallel()
	for seed := range uint64(4) {
		dir := t.TempDir()
		require.NoError(t, demoseason.Generate(seed, demoseason.Demo()).WriteFolder(dir))
		s, err := season.Load(dir)
		require.NoError(t, err)
		if r := verify.Recompute(logs(t, s), nil); !r.OK() {
			t.Errorf("seed %d: %d differences, the first %+v", seed, len(r.Differences), r.Differences[0])
		}
	}
}

// logs gives the facts of a season their places and links.
func logs(t *testing.T, s *season.Season) []verify.Log {
	t.Helper()
	var out []verify.Log
	at := map[string]int{}
	for i, name := range []string{"intake", "inventory", "production"} {
		at[name] = i
		out = append(out, verify.Log{Producer: name, Head: &eventv1.Head{At: &eventv1.Receipt{Producer: name, Epoch: 1}, Hash: make([]byte, 32)}})
	}
	for _, f := range s.Facts() {
		l := &out[at[string(f.Producer)]]
		payload, err := lotwire.Marshal(f.EventID, f.Actor, f.After, f.Event)
		require.NoError(t, err)
		e := &eventv1.Envelope{
			Producer: l.Producer, Epoch: 1, Position: l.Head.At.Position + 1, RecordedMicros: f.RecordedAt.UnixMicro(),
			PreviousHash: l.Head.Hash, Payload: payload, Type: f.Body.Kind(),
		}
		e.Hash = lotwire.Hash(e)
		l.Envelopes = append(l.Envelopes, e)
		l.Head = &eventv1.Head{At: &eventv1.Receipt{Producer: l.Producer, Epoch: 1, Position: e.Position}, Hash: e.Hash}
	}
	return out
}
