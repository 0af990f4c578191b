package recall

import (
	"testing"

	"huskline/internal/lot"
)

// BenchmarkDrill drills every lot of a season in turn; the aim is milliseconds for one.
func BenchmarkDrill(b *testing.B) {
	s, x := load(b, "season-2")
	for i := range b.N {
		if _, err := Drill(x, lot.ID(s.Expected.Drills[i%len(s.Expected.Drills)].Lot), Options{}); err != nil {
			b.Fatal(err)
		}
	}
}
