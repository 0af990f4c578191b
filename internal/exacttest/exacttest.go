// Package exacttest runs calculators against a file of worked cases. Only tests use it.
package exacttest

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"huskline/internal/fault"
)

// Case is one worked case: what goes in, what has to come out, and who says so.
type Case struct {
	ID     string          `json:"id"`
	Reckon string          `json:"reckon"`
	Input  json.RawMessage `json:"input"`
	Expect map[string]any  `json:"expect"`
	Source string          `json:"source"`
}

// Calculator is a calculator as the program calls it.
type Calculator = func(json.RawMessage) (any, error)

// Cases runs the cases of a file that name one of the calculators. Every calculator has to meet one; fields that a case does not name are free,
// members of a list are compared in order.
func Cases(t *testing.T, file []byte, calculators map[string]Calculator) {
	t.Helper()
	var cases []Case
	if err := json.Unmarshal(file, &cases); err != nil {
		t.Fatal(err)
	}
	met := map[string]bool{}
	for _, c := range cases {
		calculate, ours := calculators[c.Reckon]
		if !ours {
			continue
		}
		met[c.Reckon] = true
		t.Run(c.Reckon+"/"+c.ID, func(t *testing.T) {
			got, err := Answer(calculate, c.Input)
			if c.Expect["refused"] == true {
				if fault.KindOf(err) != fault.KindInvalid {
					t.Errorf("%s: got %v, %v; want a refusal (%s)", c.Input, got, err, c.Source)
				}
				return
			}
			if err != nil {
				t.Fatalf("%s: %v", c.Input, err)
			}
			for _, difference := range differences("", c.Expect, got) {
				t.Errorf("%s\n%s (%s)", c.Input, difference, c.Source)
			}
		})
	}
	for name := range calculators {
		if !met[name] {
			t.Errorf("no case for %s", name)
		}
	}
}

// Answer is what a calculator answers, as its caller reads it back from JSON.
func Answer(calculate Calculator, input json.RawMessage) (any, error) {
	out, err := calculate(input)
	if err != nil {
		return nil, err
	}
	text, err := json.Marshal(out)
	if err != nil {
		return nil, err
	}
	var got any
	err = json.Unmarshal(text, &got)
	return got, err
}

// differences lists what of want is otherwise in got.
func differences(path string, want, got any) []string {
	var all []string
	switch want := want.(type) {
	case map[string]any:
		members, ok := got.(map[string]any)
		if !ok {
			return []string{fmt.Sprintf("%s: got %v, want an object", path, got)}
		}
		for name, w := range want {
			all = append(all, differences(path+"."+name, w, members[name])...)
		}
	case []any:
		list, ok := got.([]any)
		if !ok || len(list) != len(want) {
			return []string{fmt.Sprintf("%s: got %v, want %v", path, got, want)}
		}
		for i, w := range want {
			all = append(all, differences(fmt.Sprintf("%s[%d]", path, i), w, list[i])...)
		}
	default:
		if got != want {
			all = append(all, fmt.Sprintf("%s: got %v, want %v", path, got, want))
		}
	}
	return all
}

// Refusals runs inputs that have to be refused, each beside the path of the field that it is refused for: the refusal's text begins with it.
func Refusals(t *testing.T, calculate Calculator, cases [][2]string) {
	t.Helper()
	for _, c := range cases {
		input, path := c[0], c[1]
		got, err := Answer(calculate, json.RawMessage(input))
		if fault.KindOf(err) != fault.KindInvalid {
			t.Errorf("%s: got %v, %v; want a refusal of %s", input, got, err, path)
			continue
		}
		if !strings.HasPrefix(err.Error(), path+":") {
			t.Errorf("%s: got %q, want it to begin with the path %s", input, err, path)
		}
	}
}

// Pair is an input and what has to come out of it; fields that Want does not name are free.
type Pair struct{ Name, Input, Want string }

// Expect runs one input.
func Expect(t *testing.T, calculate Calculator, p Pair) {
	t.Helper()
	var want any
	if err := json.Unmarshal([]byte(p.Want), &want); err != nil {
		t.Fatal(err)
	}
	got, err := Answer(calculate, json.RawMessage(p.Input))
	if err != nil {
		t.Errorf("%s: %s: %v", p.Name, p.Input, err)
		return
	}
	for _, difference := range differences("", want, got) {
		t.Errorf("%s: %s\n%s", p.Name, p.Input, difference)
	}
}
