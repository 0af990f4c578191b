package seasonfile

import (
	"crypto/sha256"
	"fmt"
	"os"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// batchesOf is the batches of a weighings.csv as "first line, rows, digest".
func batchesOf(t *testing.T, text string) []string {
	t.Helper()
	w, err := OpenWeighings(fstest.MapFS{WeighingsFile: {Data: []byte(text)}})
	require.NoError(t, err)
	defer func() { require.NoError(t, w.Close()) }()
	var got []string
	for {
		b, err := w.Next()
		require.NoError(t, err)
		if b == nil {
			return got
		}
		got = append(got, fmt.Sprintf("%d %d %x", b.FirstLine, len(b.Rows), b.Digest))
	}
}

const weighingHead = "scale,seq,time,reading,unit,kind,reference\n"

func weighingRows(from, to int) string {
	var b strings.Builder
	for n := from; n <= to; n++ {
		fmt.Fprintf(&b, "T-1,%d,2024-10-01T08:00:00Z,5.000,LBR,net,\n", n)
	}
	return b.String()
}

// The digest must be that of the rows' own bytes: a reader that hashes what its buffer read ahead fails here.
func TestBatchesAreNamedByTheirBytes(t *testing.T) {
	t.Parallel()
	first, second := weighingRows(1, BatchRows), weighingRows(BatchRows+1, BatchRows+10)
	want := []string{fmt.Sprintf("2 %d %x", BatchRows, sha256.Sum256([]byte(first))), fmt.Sprintf("%d 10 %x", BatchRows+2, sha256.Sum256([]byte(second)))}
	if diff := cmp.Diff(want, batchesOf(t, weighingHead+first+second)); diff != "" {
		t.Errorf("batches (-want +got):\n%s", diff)
	}
	more := batchesOf(t, weighingHead+first+second+weighingRows(BatchRows+11, 3*BatchRows))
	if len(more) != 3 || more[0] != want[0] {
		t.Errorf("batches of the longer file = %v, want 3 with the first unchanged", more)
	}
	if marked := batchesOf(t, utf8Mark+weighingHead+first+second); cmp.Diff(want, marked) != "" {
		t.Errorf("batches behind a byte order mark = %v, want %v", marked, want)
	}
	if empty := batchesOf(t, weighingHead); empty != nil {
		t.Errorf("batches of a header alone = %v, want none", empty)
	}
}

func TestBatchesHoldEveryRowOfTheSeason(t *testing.T) {
	t.Parallel()
	w, err := OpenWeighings(os.DirFS("../../../../testdata/season"))
	require.NoError(t, err)
	defer func() { require.NoError(t, w.Close()) }()
	rows := 0
	for {
		b, err := w.Next()
		require.NoError(t, err)
		if b == nil {
			break
		}
		for i, r := range b.Rows {
			if r.Line != b.FirstLine+i {
				t.Fatalf("row %d of the batch at line %d stands on line %d", i, b.FirstLine, r.Line)
			}
		}
		rows += len(b.Rows)
	}
	if rows != 3595 { // `lines` of expected.json
		t.Errorf("rows = %d, want 3595", rows)
	}
}

func TestWeighingsChangedAfterTheCheck(t *testing.T) {
	t.Parallel()
	w, err := OpenWeighings(fstest.MapFS{WeighingsFile: {Data: []byte(weighingHead + "T-1,1,now,5,LBR,net,\n")}})
	require.NoError(t, err)
	defer func() { require.NoError(t, w.Close()) }()
	if _, err := w.Next(); err == nil || !strings.Contains(err.Error(), "weighings.csv:2") {
		t.Errorf("Next() error = %v, want one that names weighings.csv:2", err)
	}
}
