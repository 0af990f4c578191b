package reckon

import (
	"encoding/json"
	"os"
	"strings"
	"testing"

	"huskline/internal/exacttest"
	"huskline/internal/fault"
)

const fixtures = "../../../testdata/reckon/"

func read(t *testing.T, name string) []byte {
	t.Helper()
	file, err := os.ReadFile(fixtures + name)
	if err != nil {
		t.Fatal(err)
	}
	return file
}

func TestCases(t *testing.T) {
	t.Parallel()
	exacttest.Cases(t, read(t, "examples.json"), Calculators())
}

// vectors are the published GS1 tests.
type vectors struct {
	CheckDigit []struct {
		Value, Expected string
		OK              bool
	}
	ElementString, DigitalLink []struct {
		Bracketed, FNC1Form, URI string
		Valid                    *bool
	}
}

func TestPublishedVectors(t *testing.T) {
	t.Parallel()
	var v vectors
	if err := json.Unmarshal(read(t, "gs1-vectors.json"), &v); err != nil {
		t.Fatal(err)
	}
	for _, c := range v.CheckDigit {
		last := len(c.Value) - 1
		got := checkDigit(c.Value[:last])
		if (got == c.Value[last]) != c.OK || c.Expected != "" && c.Expected[0] != got {
			t.Errorf("%s: got check digit %c, want ok %t, %s", c.Value, got, c.OK, c.Expected)
		}
	}
	for _, c := range append(v.ElementString, v.DigitalLink...) {
		text := c.Bracketed
		if text == "" {
			text = c.URI
		}
		out, err := GS1(GS1Input{text})
		if want := c.Valid == nil || *c.Valid; (err == nil) != want {
			t.Errorf("%s: got %v, want valid %t", text, err, want)
			continue
		}
		if c.FNC1Form != "" && out.Raw != c.FNC1Form {
			t.Errorf("%s: got raw %s, want %s", text, out.Raw, c.FNC1Form)
		}
		if c.URI != "" && c.Bracketed != "" && (out.DigitalLink == nil || afterHost(*out.DigitalLink) != afterHost(c.URI)) {
			t.Errorf("%s: got %v, want %s", text, out.DigitalLink, c.URI)
		}
	}
}

func afterHost(uri string) string {
	_, rest, _ := strings.Cut(uri, "://")
	_, path, _ := strings.Cut(rest, "/")
	return path
}

func TestGS1(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ text, bracketed, raw, link string }{
		{"^01123456789012311012345", "(01)12345678901231(10)12345", "^01123456789012311012345", "https://id.gs1.org/01/12345678901231/10/12345"},
		{"]C1011234567890123110ABC\x1d11991200", "(01)12345678901231(10)ABC(11)991200", "^011234567890123110ABC^11991200",
			"https://id.gs1.org/01/12345678901231/10/ABC?11=991200"},
		{`(01)12345678901231(10)A\(B)C/%`, `(01)12345678901231(10)A\(B)C/%`, "^011234567890123110A(B)C/%", "https://id.gs1.org/01/12345678901231/10/A%28B%29C%2F%25"},
		{"https://nuts.example/some/stem/01/12345678901231/10/A%2FB?3202=012345&linkType=all", "(01)12345678901231(10)A/B(3202)012345",
			"^011234567890123110A/B^3202012345", "https://id.gs1.org/01/12345678901231/10/A%2FB?3202=012345"},
		{"(00)006141411234567890(02)12345678901231(37)12(10)L1", "(00)006141411234567890(02)12345678901231(37)12(10)L1",
			"^0000614141123456789002123456789012313712^10L1", "https://id.gs1.org/00/006141411234567890?02=12345678901231&37=12&10=L1"},
		{"(01)12345678901231(422)840(10)A(10)A", "(01)12345678901231(422)840(10)A", "^0112345678901231422840^10A", "https://id.gs1.org/01/12345678901231/10/A?422=840"},
		{"(10)12345(11)991225", "(10)12345(11)991225", "^1012345^11991225", ""},
		{"(414)0614141073467(254)A1", "(414)0614141073467(254)A1", "^4140614141073467254A1", "https://id.gs1.org/414/0614141073467/254/A1"},
	} {
		out, err := GS1(GS1Input{c.text})
		if err != nil {
			t.Errorf("%s: %v", c.text, err)
			continue
		}
		link := ""
		if out.DigitalLink != nil {
			link = *out.DigitalLink
		}
		if out.Bracketed != c.bracketed || out.Raw != c.raw || link != c.link {
			t.Errorf("%s: got %s, %s, %s; want %s, %s, %s", c.text, out.Bracketed, out.Raw, link, c.bracketed, c.raw, c.link)
		}
	}
}

func TestGS1Refuses(t *testing.T) {
	t.Parallel()
	for _, c := range [][2]string{
		{"", "text: it begins with none"},
		{"0112345678901231", "text: it begins with none"},
		{"(01)12345678901232", "text: (01) has check digit 2, it is 1"},
		{"(01)1234567890123", "text: (01) is too short: 13 of 14"},
		{"(01)123456789012311", "text: (01) is too long by 1"},
		{"(01)1234567890123A", `text: (01) holds "A"`},
		{"(01)12345678901231(10)", "text: (10) has no value"},
		{"(01)12345678901231(10)A^B", `text: (10) holds "^"`},
		{"(01)12345678901231(10)A(10)B", "text: (10) is there twice"},
		{"(01)12345678901231(37)123", "text: (01) may not go with (37)"},
		{"(00)006141411234567890(37)123", "text: (37) needs 00+02 or 00+8026"},
		{"(02)12345678901231", "text: (02) needs 37"},
		{"(01)12345678901231(3100)000001(3101)000001", "text: (3100) may not go with (3101)"},
		{"(3106)123456", "text: (3106) is no application identifier"},
		{"(01)12345678901231(11)991300", "text: (11) has month 13"},
		{"(01)12345678901231(11)230229", "text: (11) has day 29 of month 02"},
		{"(01)12345678901231(7007)230200", "text: (7007) has day 00"},
		{"(01)12345678901231(422)841", `text: (422) has country "841"`},
		{"(01)12345678901231(10", "text: a bracket is opened"},
		{"^0112345678901231^", "text: \"\" begins with no"},
		{"^01123456789^10A", "text: (01) is too short"},
		{"https://a/stem/00/006141411234567890/", "text: a Digital Link does not end with a slash"},
		{"https://a/01/12345678901231/21/A/10/B", "text: (01) is followed by qualifiers"},
		{"https://a/01/12345678901231?21=A", "text: (21) is no attribute"},
		{"https://a/01/12345678901231/10/A%2", "text: (10) has a % without"},
		{"https://a/b/c", "text: the address holds no key"},
		{"(00)006141411234567890(4300)A%2", "text: (4300) has a % without"},
	} {
		out, err := GS1(GS1Input{c[0]})
		if fault.KindOf(err) != fault.KindInvalid || !strings.HasPrefix(err.Error(), c[1]) {
			t.Errorf("%s: got %v, %v; want %s", c[0], out, err, c[1])
		}
	}
}

func TestDictionaryIsWhole(t *testing.T) {
	t.Parallel()
	d := readDictionary()
	checked := map[string]bool{}
	for ai, id := range d {
		if len(id.components) == 0 {
			t.Errorf("(%s) has no component", ai)
		}
		for _, c := range id.components {
			if c.most < 1 || c.least < 1 || c.least > c.most {
				t.Errorf("(%s) has a component of %d to %d", ai, c.least, c.most)
			}
			for _, name := range c.checks {
				checked[name] = true
			}
		}
		for n := 2; n < len(ai); n++ {
			if _, begins := d[ai[:n]]; begins {
				t.Errorf("(%s) begins with (%s), so that raw text has two readings", ai, ai[:n])
			}
		}
	}
	for name, part := range map[string]string{"yesno": "2", "hhmi": "2460", "zero": "1", "nonzero": "000", "winding": "2", "hyphen": "+", "latitude": "1800000001",
		"longitude": "3600000001", "nozeroprefix": "01", "hasnondigit": "12", "iso5218": "3", "importeridx": "=", "mediatype": "11", "pieceoftotal": "0301", "iso3166alpha2": "ZZ",
		"hh": "24", "mi": "60", "ss": "60", "gcppos1": "12A4", "iso3166999": "998", "yyyymmdd": "20230229"} {
		if !checked[name] || checkPart(name, part) == "" {
			t.Errorf("%s: %s passes, or no element asks for it", name, part)
		}
	}
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, cases := range map[string][][2]string{
		"effectiveness": {
			{`{"consignees":"1.5","level":"A"}`, "consignees"},
			{`{"consignees":"-1","level":"A"}`, "consignees"},
			{`{"consignees":"10","level":"F"}`, "level"},
			{`{"consignees":"10","level":"C","share_pct":"20"}`, "share_pct"},
			{`{"consignees":"10","level":"B","share_pct":"10"}`, "share_pct"},
		},
		"dispersion": {
			{`{"links":[["a"]],"raw":["a"],"finished":["b"]}`, "links[0]"},
			{`{"links":[],"raw":["a","a"],"finished":["b"]}`, "raw[1]"},
			{`{"links":[],"raw":["a"],"finished":["a"]}`, "raw[0]"},
			{`{"links":[],"raw":[],"finished":["a"]}`, "raw"},
			{`{"links":[],"raw":["a"],"finished":["b"],"masses":{}}`, "masses.b"},
			{`{"links":[],"raw":["a"],"finished":["b"],"masses":{"b":1,"c":1}}`, "masses.c"},
		},
		"gs1": {{`{"text":""}`, "text"}, {`{}`, "text"}},
	} {
		exacttest.Refusals(t, Calculators()[name], cases)
	}
}

func TestRulesBeyondTheCases(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, calculator, input, want string }{
		{"level B is the user's own share", "effectiveness", `{"consignees":"41","level":"B"}`, `{"checks":null}`},
		{"level B with its share", "effectiveness", `{"consignees":"41","level":"B","share_pct":"50"}`, `{"checks":"21"}`},
		{"level D rounds up", "effectiveness", `{"consignees":"1","level":"D"}`, `{"checks":"1"}`},
		{"through a lot between, a lot twice, and one that nothing holds", "dispersion",
			`{"links":[["r","m"],["m","f"],["r","f"]],"raw":["r","s"],"finished":["f"],"masses":{"f":"100.01"}}`,
			`{"downward":{"r":1,"s":0},"upward":{"f":1},"total":2,"recalled_lb":{"r":"100.01","s":"0"},"worst_lb":"100.01","mean_lb":"50.01"}`},
	} {
		exacttest.Expect(t, Calculators()[c.calculator], exacttest.Pair{Name: c.name, Input: c.input, Want: c.want})
	}
}
