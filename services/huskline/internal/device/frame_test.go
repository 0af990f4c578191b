package device

import (
	"bytes"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
)

// TestParseFrame holds the parser to the field table and the examples of SMA SCP-0499 section 5.1 (as indicator manuals reprint them), and to what lines
// and other makers' devices do to a frame.
func TestParseFrame(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct {
		name, body string
		want       Frame
		reason     string
	}{
		{"example: gross", " 1G       5.025lb ", Frame{Status: ' ', Range: '1', Mode: 'G', Digits: "5.025", Unit: "LBR"}, ""},
		{"example: net", " 1N      100000lb ", Frame{Status: ' ', Range: '1', Mode: 'N', Digits: "100000", Unit: "LBR"}, ""},
		{"example: high resolution", " 1g      5.0025lb ", Frame{Status: ' ', Range: '1', Mode: 'g', Digits: "5.0025", Unit: "LBR"}, ""},
		{"example: zeroed", "Z1G       0.000lb ", Frame{Status: 'Z', Range: '1', Mode: 'G', Digits: "0.000", Unit: "LBR"}, ""},
		{"net in high resolution", " 1n      5.0025kg ", Frame{Status: ' ', Range: '1', Mode: 'n', Digits: "5.0025", Unit: "KGM"}, ""},
		{"tare", " 1T       1.000lb ", Frame{Status: ' ', Range: '1', Mode: 'T', Digits: "1.000", Unit: "LBR"}, ""},
		{"in motion, range 2", " 2GM     20500.lb ", Frame{}, "frame_weight"},
		{"in motion", " 2GM      20500lb ", Frame{Status: ' ', Range: '2', Mode: 'G', Motion: true, Digits: "20500", Unit: "LBR"}, ""},
		{"custom field in use", " 1G x    20500lb ", Frame{}, "frame_length"},
		{"custom field", " 1G x     20500tn ", Frame{Status: ' ', Range: '1', Mode: 'G', Digits: "20500", Unit: "STN"}, ""},
		{"ounces", " 1G        12.5oz ", Frame{Status: ' ', Range: '1', Mode: 'G', Digits: "12.5", Unit: "ONZ"}, ""},
		{"capitals", " 1G        12.5KG ", Frame{Status: ' ', Range: '1', Mode: 'G', Digits: "12.5", Unit: "KGM"}, ""},
		{"over capacity", "O1G      200020lb ", Frame{Status: 'O', Range: '1', Mode: 'G', Digits: "200020", Unit: "LBR"}, ""},
		{"under capacity", "U1G         -40lb ", Frame{Status: 'U', Range: '1', Mode: 'G', Digits: "-40", Unit: "LBR"}, ""},
		{"zero error: dashes", "E1G    ------  lb ", Frame{Status: 'E', Range: '1', Mode: 'G'}, ""},
		{"initial-zero error: dashes", "I1G  ----------   ", Frame{Status: 'I', Range: '1', Mode: 'G'}, ""},
		{"tare error: dashes", "T1G  ----------   ", Frame{Status: 'T', Range: '1', Mode: 'G'}, ""},
		{"dashes without a reason", " 1G  ----------   ", Frame{}, "frame_no_weight"},
		{"the device knows no W", "?", Frame{}, "command_unknown"},
		{"empty", "", Frame{}, "frame_length"},
		{"one short", " 1G      5.025lb ", Frame{}, "frame_length"},
		{"one long", " 1G        5.025lb ", Frame{}, "frame_length"},
		{"unknown status", "S1G       5.025lb ", Frame{}, "frame_status"},
		{"range 0", " 0G       5.025lb ", Frame{}, "frame_range"},
		{"unknown mode", " 1B       5.025lb ", Frame{}, "frame_mode"},
		{"unknown motion", " 1G?      5.025lb ", Frame{}, "frame_motion"},
		{"unknown unit", " 1G       5.025st ", Frame{}, "frame_unit"},
		{"grams, which no reading here has", " 1G       5.025g  ", Frame{}, "frame_unit"},
		{"no unit", " 1G       5.025   ", Frame{}, "frame_unit"},
		{"no weight", " 1G            lb ", Frame{}, "frame_weight"},
		{"exponent", " 1G       1.5e3lb ", Frame{}, "frame_weight"},
		{"thousands", " 1G      20,500lb ", Frame{}, "frame_weight"},
		{"not a number", " 1G         NaNlb ", Frame{}, "frame_weight"},
		{"plus", " 1G       +5.02lb ", Frame{}, "frame_weight"},
		{"blank in the weight", " 1G      5. 025lb ", Frame{}, "frame_weight"},
		{"a bit flipped", " 1G       5.0\xb25lb ", Frame{}, "frame_weight"},
		{"full-width digits", " 1G    \uff15\uff12 lb ", Frame{}, "frame_length"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			got, err := ParseFrame([]byte(tt.body))
			if tt.reason != "" {
				if fault.ReasonOf(err) != tt.reason {
					t.Fatalf("%q: %+v, %v; want %s", tt.body, got, err, tt.reason)
				}
				return
			}
			if err != nil {
				t.Fatalf("%q: %v", tt.body, err)
			}
			if diff := cmp.Diff(tt.want, got); diff != "" {
				t.Errorf("%q: %s", tt.body, diff)
			}
		})
	}
}

// split feeds text in pieces of a size and writes down what comes out.
func split(text string, size int) []string {
	var s Splitter
	var out []string
	emit := func(body []byte, err error) {
		if err != nil {
			out = append(out, fault.ReasonOf(err))
			return
		}
		out = append(out, string(body))
	}
	for rest := []byte(text); len(rest) > 0; {
		n := min(size, len(rest))
		s.Push(rest[:n], emit)
		rest = rest[n:]
	}
	if err := s.Silent("the end"); err != nil {
		out = append(out, fault.ReasonOf(err))
	}
	return out
}

func TestSplitter(t *testing.T) {
	t.Parallel()
	const a, b = " 1G       5.025lb ", "Z1G       0.000lb "
	for _, tt := range []struct {
		name, text string
		want       []string
	}{
		{"two frames", "\n" + a + "\r\n" + b + "\r", []string{a, b}},
		{"line feed after carriage return", "\n" + a + "\r\n\n" + b + "\r\n", []string{a, b}},
		{"joined in the middle of one", "5lb \r\n" + a + "\r", []string{a}},
		{"cut by the next", "\n" + a[:9] + "\n" + b + "\r", []string{"frame_cut", b}},
		{"cut at the end", "\n" + a + "\r\n" + b[:17], []string{a, "frame_cut"}},
		{"without an end", "\n" + strings.Repeat("7", 500) + "\n" + b + "\r", []string{"frame_length", b}},
		{"another protocol", "\x02+ 5025 0\r\x02+ 5025 0\r", nil},
		{"nothing", "", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			for _, size := range []int{1, 2, 7, 1000} {
				if diff := cmp.Diff(tt.want, split(tt.text, size)); diff != "" {
					t.Errorf("in pieces of %d: %s", size, diff)
				}
			}
		})
	}
}

// FuzzFrame: whatever comes down a line, a frame is either taken apart as it stands or refused with a reason, and the pieces it comes in do not matter.
func FuzzFrame(f *testing.F) {
	for _, seed := range []string{"\n 1G       5.025lb \r", "\nZ1G       0.000lb \r\n 1G", "\n?\r", "\nI1G  ----------   \r", "\n\n\r\r", "\x00\xff"} {
		f.Add([]byte(seed))
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		whole := split(string(data), len(data)+1)
		if diff := cmp.Diff(whole, split(string(data), 1)); diff != "" {
			t.Fatalf("%q in single bytes: %s", data, diff)
		}
		for _, body := range whole {
			frame, err := ParseFrame([]byte(body))
			if err != nil {
				if fault.ReasonOf(err) == "" {
					t.Fatalf("%q: %v has no reason", body, err)
				}
				continue
			}
			if frame.Digits != "" && !bytes.Contains(data, []byte(frame.Digits)) {
				t.Fatalf("%q: digits %q are not in it", body, frame.Digits)
			}
		}
	})
}
