package exact

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"huskline/internal/fault"
	"huskline/internal/share"
	"pgregory.net/rapid"
)

func parse(t *testing.T, text string) Number {
	t.Helper()
	n, err := Parse(text)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func TestParseRefuses(t *testing.T) {
	t.Parallel()
	for _, text := range []string{"", "-", ".", "1.", ".5", "+1", "1e3", "1,000", " 1", "1/2", "0x1", "NaN", "١", "--1", "1.2.3", strings.Repeat("9", 61)} {
		if n, err := Parse(text); fault.KindOf(err) != fault.KindInvalid {
			t.Errorf("%q: got %s, %v; want a refusal", text, n, err)
		}
	}
}

func TestRounding(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		number string
		places int
		want   string
	}{
		{"0.005", 2, "0.01"}, {"-0.005", 2, "-0.01"}, {"0.00499", 2, "0.00"}, {"-0.004", 2, "0.00"}, {"217.125", 2, "217.13"},
		{"4.5", 0, "5"}, {"762.805", 2, "762.81"}, {"1.5", 4, "1.5000"},
	} {
		if got := parse(t, c.number).Fixed(c.places).String(); got != c.want {
			t.Errorf("%s to %d: got %s, want %s", c.number, c.places, got, c.want)
		}
	}
	for _, c := range [][2]string{{"7920.500", "7920.5"}, {"100", "100"}, {"-0.0", "0"}, {"0.000000001", "0.000000001"}} {
		if got := parse(t, c[0]).Plain().String(); got != c[1] {
			t.Errorf("%s plain: got %s, want %s", c[0], got, c[1])
		}
	}
	if got := Int(2).Quo(Int(3)).Plain().String(); got != "0.666667" {
		t.Errorf("2/3 plain: got %s", got)
	}
	for _, c := range [][2]string{{"1.01", "2"}, {"-1.01", "-1"}, {"3", "3"}} {
		if got := parse(t, c[0]).Ceil().String(); got != c[1] {
			t.Errorf("%s up: got %s, want %s", c[0], got, c[1])
		}
	}
	nickel := Scaled(5, 2)
	step, err := StepOf("step", &nickel)
	if got := step.Round(parse(t, "0.125")).String(); err != nil || got != "0.15" {
		t.Errorf("0.125 to 0.05: got %s, %v", got, err)
	}
}

func TestFootMixedSigns(t *testing.T) {
	t.Parallel()
	got, err := Cents().Foot(parse(t, "5"), []Part{{"a", parse(t, "10.005")}, {"b", parse(t, "-5.005")}})
	if want := "[10.01 -5.01]"; err != nil || fmt.Sprint(got) != want {
		t.Errorf("got %s, %v; want %s", got, err, want)
	}
	if _, err := Cents().Foot(parse(t, "5.50"), []Part{{"a", parse(t, "5")}}); fault.KindOf(err) != fault.KindInternal || err == nil {
		t.Errorf("a total that is not the parts': got %v, want a bug", err)
	}
}

// Catches: another rule for who gets the odd cent than the ledger's.
func TestSplitIsTheLedgersSplit(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.Int64Range(-10_000, 10_000).Draw(t, "total")
		var parts []Part
		var theirs []share.Part
		for i := range rapid.IntRange(1, 8).Draw(t, "parts") {
			key, weight := fmt.Sprint((i*5)%8), rapid.Int64Range(0, 9).Draw(t, "weight")
			parts, theirs = append(parts, Part{key, Scaled(weight, 3)}), append(theirs, share.Part{Key: key, Weight: share.Of(weight)})
		}
		got, err := Cents().Split("parts", Scaled(total, 2), parts)
		want, theirErr := share.Split(total, theirs)
		if (err == nil) != (theirErr == nil) {
			t.Fatalf("got %v, want %v", err, theirErr)
		}
		for i := range got {
			if got[i].Number().Cmp(Scaled(want[i], 2)) != 0 {
				t.Errorf("part %d: got %s, want %d cents", i, got[i], want[i])
			}
		}
	})
}

type probe struct {
	Name  string    `json:"name"`
	Size  Number    `json:"size"`
	Note  *Number   `json:"note,omitempty"`
	Table Table     `json:"table,omitempty"`
	Rows  []row     `json:"rows,omitempty"`
	Pair  [2]string `json:"pair,omitempty"`
}

type row struct {
	N Number `json:"n"`
}

func TestDecode(t *testing.T) {
	t.Parallel()
	var got probe
	input := ` {"name":"a","size":0.10,"note":null,"table":{"z":"1","a":-2.50},"rows":[{"n":"3"}],"pair":["x","y"]} `
	if err := Decode(json.RawMessage(input), &got); err != nil {
		t.Fatal(err)
	}
	if text := fmt.Sprint(got.Name, got.Size, got.Note == nil, got.Table, got.Rows, got.Pair); text != "a0.1 true [{z 1} {a -2.5}] [{3}] [x y]" {
		t.Errorf("got %s", text)
	}
	for _, c := range [][2]string{
		{`{"name":"a"}`, "size: missing"},
		{`{"name":"a","size":null}`, "size: missing"},
		{`{"name":"a","size":1,"colour":2}`, "colour: there is no such field"},
		{`{"name":"a","Size":1}`, "Size: there is no such field"},
		{`{"name":"a","size":1,"size":1}`, "size: it is there twice"},
		{`{"name":"a","size":1e3}`, "size: number"},
		{`{"name":"a","size":true}`, "size: number"},
		{`{"name":"a","size":"1.5 "}`, "size: number"},
		{`{"name":"a","size":0.30000000000000004}`, "size: a JSON number of 17 digits"},
		{`{"name":3,"size":1}`, "name: a string is expected"},
		{`{"name":"a","size":1,"rows":{}}`, "rows: a list is expected"},
		{`{"name":"a","size":1,"rows":[{"n":1},{"m":1}]}`, "rows[1].m: there is no such field"},
		{`{"name":"a","size":1,"rows":[1]}`, "rows[0]: a JSON object is expected"},
		{`{"name":"a","size":1,"table":{"x":"y"}}`, "table.x: number"},
		{`{"name":"a","size":1,"pair":["x"]}`, "pair: 1 members, 2 are expected"},
		{`[]`, "input: a JSON object is expected"},
		{`{"name":"a","size":1} {}`, "input: more than one JSON value"},
		{`{"name":`, "input: unexpected EOF"},
		{``, "input: EOF"},
	} {
		var p probe
		err := Decode(json.RawMessage(c[0]), &p)
		if fault.KindOf(err) != fault.KindInvalid || !strings.HasPrefix(err.Error(), c[1]) {
			t.Errorf("%s: got %v, want %s", c[0], err, c[1])
		}
	}
}
