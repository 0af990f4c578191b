package seasonfile

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/stretchr/testify/require"
)

// FuzzRead puts any bytes in place of one file. Whatever they are, reading ends without a panic, every fault names a file and a line that is there,
// and what was found without fault keeps its promises: no run gains, no key is empty.
func FuzzRead(f *testing.F) {
	names := fileNames()
	for name, text := range small() {
		f.Add(fileOrder(name), []byte(text))
	}
	f.Add(0, []byte("party,name,role\n\"a"))
	f.Add(13, []byte("\xef\xbb\xbfscale\r\r\n,\x00"))
	f.Fuzz(func(t *testing.T, which int, data []byte) {
		if which < 0 || which >= len(names) {
			t.Skip()
		}
		folder := smallWith(t)
		folder[names[which]] = &fstest.MapFile{Data: data}
		s, faults, err := Read(context.Background(), folder, Options{})
		require.NoError(t, err)
		lines := 2 + strings.Count(string(data), "\n")
		for _, x := range faults.Listed {
			if fileOrder(x.File) == len(schemas) || x.Line < 0 || x.File == names[which] && x.Line > lines || x.Rule == "" || x.Detail == "" {
				t.Fatalf("fault %+v: no such place, or no rule", x)
			}
		}
		if faults.Any() {
			return
		}
		for _, r := range s.Runs {
			var in, out int64
			for _, i := range r.Inputs {
				in += int64(i.Weight)
			}
			for _, o := range r.Outputs {
				out += int64(o.Weight)
			}
			if out > in || r.ID == "" {
				t.Fatalf("run %q with inputs of %d and outputs of %d passed", r.ID, in, out)
			}
		}
	})
}

// One bad row among 100,000 is found, alone, and in a time that a person waits for.
func TestOneBadRowAmongManyIsFound(t *testing.T) {
	t.Parallel()
	const rows = 100_000
	var b strings.Builder
	b.WriteString(small()[DeliveriesFile])
	for n := range rows {
		net := "600.000"
		if n == rows/2 {
			net = "6OO.000"
		}
		fmt.Fprintf(&b, "E-%d,2024-10-01T09:00:00Z,G1,company,IN,Pawnee,2024,%s,100.000,,,,,,,2.0000,0\n", n, net)
	}
	begun := time.Now()
	got := found(t, smallWith(t, edit{file: DeliveriesFile, now: b.String()}))
	if len(got) != 1 || got[0] != fmt.Sprintf("deliveries.csv:%d gross_lb number_malformed", 6+rows/2) {
		t.Errorf("faults = %v, want the bad row alone", got)
	}
	t.Logf("%d rows in %s", rows, time.Since(begun))
}

func TestQuoteThatSwallowsTheFileIsBounded(t *testing.T) {
	t.Parallel()
	text := weighingHead + "T-1,1,2024-10-01T08:00:00Z,5.000,LBR,net,\"\n" + strings.Repeat(weighingRows(2, 2001), 100)
	got := found(t, smallWith(t, edit{file: WeighingsFile, now: text}))
	if len(got) != 1 || got[0] != "weighings.csv:1 row_too_long" {
		t.Errorf("faults = %v, want one at the last row that was whole", got)
	}
}
