package lotwire_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
)

var update = flag.Bool("update", false, "save the bytes of event types whose newest saved form is not what is written now; saved ones stay as they are")

// Catches a change of the contract or of this package after which events that were published long ago read differently. The files
// testdata/TYPE.N.bin are envelopes as they were once written, TYPE.N.json the values they had then. None of them ever changes: when a
// body gets a field, -update saves one form more.
func TestSavedBytesReadTheSameForEver(t *testing.T) {
	t.Parallel()
	for _, zero := range bodies() {
		t.Run(zero.Kind(), func(t *testing.T) {
			t.Parallel()
			now, err := lotwire.EnvelopeBytes(envelope(t, fullEvent(zero), "press-3", fill(&counting{}, []lot.Receipt(nil))))
			require.NoError(t, err)
			saved := savedForms(t, zero.Kind())
			if *update && (len(saved) == 0 || !bytes.Equal(now, saved[len(saved)-1])) {
				save(t, zero.Kind(), len(saved)+1, now)
				saved = append(saved, now)
			}
			for i, data := range saved {
				checkForm(t, zero, i+1, data)
			}
			if len(saved) == 0 || !bytes.Equal(now, saved[len(saved)-1]) {
				t.Errorf("%s is written in a form that is not saved: run with -update and commit what it adds", zero.Kind())
			}
		})
	}
}

func formFile(kind string, n int, ext string) string {
	return filepath.Join("testdata", fmt.Sprintf("%s.%d.%s", kind, n, ext))
}

func savedForms(t *testing.T, kind string) [][]byte {
	t.Helper()
	var forms [][]byte
	for {
		data, err := os.ReadFile(formFile(kind, len(forms)+1, "bin"))
		if os.IsNotExist(err) {
			return forms
		}
		require.NoError(t, err)
		forms = append(forms, data)
	}
}

func save(t *testing.T, kind string, n int, data []byte) {
	t.Helper()
	text, err := json.MarshalIndent(decode(t, data), "", "  ")
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll("testdata", 0o755))
	require.NoError(t, os.WriteFile(formFile(kind, n, "bin"), data, 0o644))
	require.NoError(t, os.WriteFile(formFile(kind, n, "json"), append(text, '\n'), 0o644))
}

func decode(t *testing.T, data []byte) lot.Recorded {
	t.Helper()
	env, err := lotwire.ParseEnvelope(data)
	require.NoError(t, err)
	r, err := lotwire.Unmarshal(env)
	require.NoError(t, err)
	return r
}

func checkForm(t *testing.T, zero lot.Body, n int, data []byte) {
	t.Helper()
	text, err := os.ReadFile(formFile(zero.Kind(), n, "json"))
	require.NoError(t, err)
	body := reflect.New(reflect.TypeOf(zero))
	want := lot.Recorded{Event: lot.Event{Body: body.Interface().(lot.Body)}}
	require.NoError(t, json.Unmarshal(text, &want))
	want.Body = body.Elem().Interface().(lot.Body)
	if diff := cmp.Diff(want, decode(t, data)); diff != "" {
		t.Errorf("saved form %d of %s, want -, got +:\n%s", n, zero.Kind(), diff)
	}
}
