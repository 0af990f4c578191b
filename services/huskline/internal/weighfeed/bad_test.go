package weighfeed

import (
	"strings"
	"testing"

	"huskline/internal/fault"
)

// TestBadCells puts one bad cell into a good line, in CSV and in JSON. What the cell's own form does not say (digits, unit) goes on to intake as it came, never
// mended. It catches a value that is mended, guessed or cut.
func TestBadCells(t *testing.T) {
	t.Parallel()
	for _, tt := range []struct{ name, column, value, reason string }{
		{"sequence beyond 64 bits", "seq", "9223372036854775808", "sequence_malformed"},
		{"sequence with a fraction", "seq", "1.0", "sequence_malformed"},
		{"sequence with an exponent", "seq", "1e3", "sequence_malformed"},
		{"sequence in full-width digits", "seq", "１２", "sequence_malformed"},
		{"sequence with a plus", "seq", "+1", "sequence_malformed"},
		{"sequence with leading zeros", "seq", "007", "sequence_malformed"},
		{"sequence with a separator", "seq", "1'000", "sequence_malformed"},
		{"no sequence", "seq", "", "sequence_malformed"},
		{"sequence 0", "seq", "0", ""}, // intake's to refuse
		{"local time", "time", "2024-10-01T08:00:00", "time_malformed"},
		{"day and month swapped", "time", "2024-31-10T08:00:00Z", "time_malformed"},
		{"day before month", "time", "31/10/2024 08:00", "time_malformed"},
		{"no such day", "time", "2024-02-30T08:00:00Z", "time_malformed"},
		{"leap second of no clock", "time", "2024-10-01T08:00:61Z", "time_malformed"},
		{"no time", "time", "", "time_malformed"},
		{"kind in capitals", "kind", "GROSS", "kind_unknown"},
		{"no kind", "kind", "", "kind_unknown"},
		{"kind by number", "kind", "1", "kind_unknown"},
		{"invalid UTF-8", "reference", "\xff\xfe", "not_utf8"},
		{"negative weight", "reading", "-5", ""},
		{"exponent", "reading", "1e3", ""},
		{"not a number", "reading", "NaN", ""},
		{"separator", "reading", "20.500.0", ""},
		{"full-width weight", "reading", "５", ""},
		{"unit in small letters", "unit", "lbr", ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			cells := map[string]string{"scale": "T-1", "seq": "1", "time": "2024-10-01T08:00:00Z", "reading": "5", "unit": "LBR", "kind": "net", "reference": ""}
			cells[tt.column] = tt.value
			names, values, pairs := []string{}, []string{}, []string{}
			for name, value := range cells {
				names, values, pairs = append(names, name), append(values, value), append(pairs, `"`+name+`":"`+value+`"`)
			}
			for format, lines := range map[string][]string{"CSV": {strings.Join(names, ","), strings.Join(values, ",")}, "JSON": {"{" + strings.Join(pairs, ",") + "}"}} {
				p := &Parser{}
				var err error
				for _, line := range lines {
					r, lineErr := p.Line(line)
					if err = lineErr; r != nil && tt.reason == "" && r.GetDigits()+r.GetUnit() != cells["reading"]+cells["unit"] {
						t.Errorf("%s: digits %q and unit %q, want them as they came", format, r.GetDigits(), r.GetUnit())
					}
				}
				if got := fault.ReasonOf(err); got != tt.reason {
					t.Errorf("%s %s=%q: %v; want %q", format, tt.column, tt.value, err, tt.reason)
				}
			}
		})
	}
}
