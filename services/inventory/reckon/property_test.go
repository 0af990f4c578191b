package reckon

import (
	"fmt"
	"slices"
	"testing"

	"huskline/internal/exact"
	"pgregory.net/rapid"
)

// Catches: a lot counted twice because two ways lead to it, or not at all beyond the first link. Both directions count the same pairs.
func TestDispersionCountsPairs(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		in := DispersionInput{Raw: []string{"r0", "r1", "r2"}, Finished: []string{"f0", "f1", "f2", "f3"}, Masses: exact.Table{}}
		for _, f := range in.Finished {
			in.Masses = append(in.Masses, exact.Named{Name: f, Value: exact.Int(rapid.Int64Range(0, 1000).Draw(t, "mass"))})
		}
		layers := [][]string{in.Raw, {"m0", "m1", "m2"}, in.Finished}
		direct := map[[2]string]bool{}
		for range rapid.IntRange(0, 15).Draw(t, "links") {
			from := rapid.IntRange(0, 1).Draw(t, "layer")
			to := rapid.IntRange(from+1, 2).Draw(t, "to layer")
			link := [2]string{rapid.SampledFrom(layers[from]).Draw(t, "from"), rapid.SampledFrom(layers[to]).Draw(t, "to")}
			direct[link] = true
			in.Links = append(in.Links, link)
		}
		out, err := Dispersion(in)
		if err != nil {
			t.Fatal(err)
		}
		pairs := 0
		for _, r := range in.Raw {
			for _, f := range in.Finished {
				through := slices.ContainsFunc(layers[1], func(m string) bool { return direct[[2]string{r, m}] && direct[[2]string{m, f}] })
				if direct[[2]string{r, f}] || through {
					pairs++
				}
			}
		}
		down, up := 0, 0
		for _, e := range out.Downward {
			down += e.Value.(int)
		}
		for _, e := range out.Upward {
			up += e.Value.(int)
		}
		if down != pairs || up != pairs || out.Total != 2*pairs {
			t.Errorf("got %d down, %d up, total %d; want %d pairs", down, up, out.Total, pairs)
		}
	})
}

// Catches: a spelling that cannot be read back. Whatever is read from one form is the same when read from the two others.
func TestGS1FormsAgree(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		body := rapid.StringMatching(`[0-8][0-9]{12}`).Draw(t, "gtin")
		text := "(01)" + body + string(checkDigit(body))
		if rapid.Bool().Draw(t, "lot") {
			text += "(10)" + rapid.StringMatching(`[!"%&'*+,\-./0-9:;<=>?A-Z_a-z)]{1,20}`).Draw(t, "lot code")
		}
		if rapid.Bool().Draw(t, "packed") {
			text += "(13)" + rapid.StringMatching(`[0-9]{2}(0[1-9]|1[0-2])(0[0-9]|1[0-9]|2[0-8])`).Draw(t, "day")
		}
		if rapid.Bool().Draw(t, "pounds") {
			text += "(320" + rapid.StringMatching(`[0-5]\)[0-9]{6}`).Draw(t, "pounds")
		}
		first, err := GS1(GS1Input{text})
		if err != nil {
			t.Fatal(err)
		}
		for _, other := range []string{first.Bracketed, first.Raw, *first.DigitalLink} {
			again, err := GS1(GS1Input{other})
			if err != nil || again.Bracketed != first.Bracketed || again.Raw != first.Raw || fmt.Sprint(*again.DigitalLink) != *first.DigitalLink {
				t.Errorf("%s read as %s: got %+v, %v", text, other, again, err)
			}
		}
	})
}

// Catches: an index beyond the text. Nothing that is read makes the reader fall over.
func FuzzGS1(f *testing.F) {
	for _, seed := range []string{"(01)12345678901231(10)12345", "^01123456789012311012345", "https://a/01/12345678901231/10/A?99=X", "(8006)123456789012310102", "]C110\x1d"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, text string) {
		out, err := GS1(GS1Input{text})
		if err == nil && len(out.Elements) == 0 {
			t.Errorf("%q: read as nothing", text)
		}
	})
}
