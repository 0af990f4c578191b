package lot

import (
	"testing"

	"pgregory.net/rapid"

	"huskline/internal/fault"
)

// ISO/IEC 7064 MOD 37,36 as used by the Global Release Identifier: the worked example of the GRid standard, A1-2425G-ABC1234002-M.
func TestCheckCharacterOfPublishedExample(t *testing.T) {
	t.Parallel()
	if got := checkCharacter("A12425GABC1234002"); got != 'M' {
		t.Errorf("check character %q, want 'M'", got)
	}
}

// A single wrong character, or two neighbours changed over, is always caught: what MOD 37,36 promises (all single substitutions; transpositions
// of neighbours but for a few of the pure systems, so only the alphabet's own are tried). Break it catches: a plain sum.
func TestMisreadCodeIsRefused(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.Int64Range(0, 1<<30-1).Draw(t, "n")
		code, err := NewCode(byte('A'+n%26), 2026, n)
		if err != nil || !HasOurShape(string(code)) {
			t.Fatalf("code %q: %v", code, err)
		}
		if _, err := ParseID(string(code)); err != nil {
			t.Fatal(err)
		}
		at := rapid.IntRange(3, 8).Draw(t, "at")
		other := crockford[rapid.IntRange(0, 31).Draw(t, "other")]
		wrong := []byte(code)
		if wrong[at] == other {
			return
		}
		wrong[at] = other
		if _, err := ParseID(string(wrong)); fault.ReasonOf(err) != "lot_code_check" {
			t.Fatalf("misread %q of %q: %v, want lot_code_check", wrong, code, err)
		}
	})
}

func TestParseID(t *testing.T) {
	t.Parallel()
	for text, rule := range map[string]string{
		"D-00001":     "",
		"":            "lot_code_malformed",
		"two words":   "lot_code_malformed",
		"\u00e9":      "lot_code_malformed",
		"I260000000Z": "", // eleven characters: not our shape
	} {
		if _, err := ParseID(text); fault.ReasonOf(err) != rule {
			t.Errorf("lot code %q: %v, want rule %q", text, err, rule)
		}
	}
	if _, err := NewCode('a', 2026, 0); fault.ReasonOf(err) != "lot_code_out_of_range" {
		t.Errorf("letter a: %v", err)
	}
}
