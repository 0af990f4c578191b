package device

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// shot is a frame by its short form: status, mode, M or blank, digits.
func shot(t *testing.T, text string) Frame {
	t.Helper()
	f, err := ParseFrame([]byte(body(text)))
	require.NoError(t, err, text)
	return f
}

// body is a frame's text: " G 20500" is a still gross weight, "ZG 0" the empty scale, "IG " an error's dashes.
func body(text string) string {
	digits, unit := text[3:], "lb "
	if digits == "" {
		digits, unit = "----------", "   "
	}
	return fmt.Sprintf("%s1%s%s %10s%s", text[0:1], text[1:2], text[2:3], digits, unit)
}

// TestCapture plays frames, oldest first, and names what each comes to: k kept, e empty again, . nothing, else the first letters of the reason.
func TestCapture(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name   string
		armed  bool
		frames []string
		want   string
	}{
		{"one load", true, []string{"ZG 0", " GM9000", " GM20480", " G 20500", " G 20500", " G 20500", " G 20500", " G 20500"}, ". mo mo se se k . ."},
		{"a load, empty, a load", true, []string{" G 500", " G 500", " G 500", "ZG 0", " G 700", " G 700", " G 700"}, "se se k e se se k"},
		{"the same weight again after empty", true, []string{" G 500", " G 500", " G 500", "ZG 0", "ZG 0", " G 500", " G 500", " G 500"}, "se se k e . se se k"},
		{"motion begins the count anew", true, []string{" G 500", " G 500", " GM500", " G 500", " G 500", " G 500"}, "se se mo se se k"},
		{"another weight begins the count anew", true, []string{" G 500", " G 500", " G 520", " G 500", " G 500", " G 500"}, "se se se se se k"},
		{"gross and net are not alike", true, []string{" G 500", " G 500", " N 500", " N 500", " N 500"}, "se se se se k"},
		{"two loads without an empty scale", true, []string{" G 500", " G 500", " G 500", " G 700", " G 700", " G 700", " G 700", "ZG 0"}, "se se k se se NR nr e"},
		{"in motion at zero is not empty", true, []string{" G 500", " G 500", " G 500", "ZGM0", " G 500", "ZG 0"}, "se se k mo se e"},
		{"near zero but not at its center", true, []string{" G 500", " G 500", " G 500", " G 0", " G 0", " G 0", " G 500"}, "se se k se se BT se"},
		{"below the threshold", true, []string{" G 20", " G 20", " G 20", " G 20", " G 20.1", " G 20.1", " G 20.1"}, "se se BT bt se se k"},
		{"below zero", true, []string{" G -40", " G -40", " G -40"}, "se se BT"},
		{"over capacity", true, []string{" G 500", " G 500", "OG 210000", " G 500", " G 500", " G 500"}, "se se OC se se k"},
		{"under capacity", true, []string{"UG -40", "UG -40"}, "UC UC"},
		{"errors show dashes", true, []string{"IG ", "EG ", "TG "}, "IZ ZE TE"},
		{"high resolution", true, []string{" g 500.02", " n 500.02"}, "HR HR"},
		{"the tare on its own", true, []string{" T 500"}, "TW"},
		{"not armed after a restart, another load", false, []string{" G 500", " G 500", " G 500", " G 500"}, "se se NR nr"},
		{"not armed after a restart, the load that was kept", false, []string{" G 300", " G 300", " G 300", "ZG 0"}, "se se . e"},
		{"a net scale", true, []string{" N 500.5", " N 500.5", " N 500.5", "ZN 0"}, "se se k e"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			c := NewCapture(CaptureConfig{Stable: 3, Threshold: "20", Armed: tt.armed, Digits: "300", Unit: "LBR"})
			var got []string
			for _, text := range tt.frames {
				got = append(got, letter(c, c.Step(shot(t, text))))
			}
			if strings.Join(got, " ") != tt.want {
				t.Errorf("got  %s\nwant %s", strings.Join(got, " "), tt.want)
			}
		})
	}
}

// letter names a verdict; capitals where it is told, and "k" keeps.
func letter(c *Capture, v Verdict) string {
	switch v.Outcome {
	case Settled:
		c.Kept()
		return "k"
	case Emptied:
		return "e"
	case Passed:
		return "."
	}
	short := map[string]string{"in_motion": "mo", "settling": "se", "not_rearmed": "nr", "below_threshold": "bt", "over_capacity": "oc", "under_capacity": "uc", "initial_zero_error": "iz",
		"zero_error": "ze", "tare_error": "te", "high_resolution": "hr", "tare_weight": "tw"}[v.Reason]
	if v.Message != "" {
		return strings.ToUpper(short)
	}
	return short
}

// A load that the queue cannot take is said again with every frame, until it can: nothing is dropped while it stands there.
func TestCaptureSaysAgainUntilKept(t *testing.T) {
	t.Parallel()
	c := NewCapture(CaptureConfig{Stable: 2, Threshold: "0", Armed: true})
	for i := range 5 {
		if v := c.Step(shot(t, " G 500")); i > 0 && v.Outcome != Settled {
			t.Fatalf("frame %d: %+v, want settled", i, v)
		}
	}
	c.Kept()
	if v := c.Step(shot(t, " G 500")); v.Outcome != Passed {
		t.Errorf("after it was kept: %+v, want passed", v)
	}
}

// TestOneCapturePerLoad plays random loads with noise. It catches two captures of one load, and one of a load that never stood still.
func TestOneCapturePerLoad(t *testing.T) {
	t.Parallel()
	for seed := range uint64(200) {
		r := rand.New(rand.NewPCG(seed, 2))
		c := NewCapture(CaptureConfig{Stable: 3, Threshold: "20", Armed: true})
		for n := range 20 {
			weight := 100 + 10*n
			captured, want := 0, 0
			for _, text := range randomLoad(r, weight, &want) {
				if v := c.Step(shot(t, text)); v.Outcome == Settled {
					captured++
					c.Kept()
				}
			}
			if captured != want {
				t.Fatalf("seed %d load %d: captured %d times, want %d", seed, n, captured, want)
			}
			c.Step(shot(t, "ZG 0"))
		}
	}
}

// randomLoad is motion, perhaps standing still, motion and standing still again; want is 1 where it ever stood still for three frames.
func randomLoad(r *rand.Rand, weight int, want *int) []string {
	var out []string
	for range 1 + r.IntN(3) {
		for range r.IntN(4) {
			out = append(out, fmt.Sprintf(" GM%d", weight-r.IntN(50)))
		}
		still := r.IntN(6)
		for range still {
			out = append(out, fmt.Sprintf(" G %d", weight))
		}
		if still >= 3 {
			*want = 1
		}
		out = append(out, "OG 999999")
	}
	return out
}
