package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"math/big"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// object is a JSON object with its numbers as they were written, so that no float comes between.
type object = map[string]any

// expectedAnswers is a season folder's expected.json.
type expectedAnswers struct {
	Season, Final, Weighings object
	Runs, Lots               map[string]object
	Drills                   []object
	Origins                  map[string]object
}

func loadExpected(t *testing.T, folder string) expectedAnswers {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder, "expected.json"))
	require.NoError(t, err)
	var e expectedAnswers
	planttest.Decode(t, string(text), &e)
	require.NotEmpty(t, e.Lots)
	return e
}

// question is a command line with the object that must come out of it; at says where in the printed object.
type question struct {
	args []string
	want map[string]object // by field of the printed object; "" is the object itself
}

// questions are all that expected.json answers.
func (e expectedAnswers) questions() []question {
	out := []question{{[]string{"balance"}, map[string]object{"season": e.Season, "final": e.Final, "weighings": e.Weighings}}}
	for _, run := range slices.Sorted(maps.Keys(e.Runs)) {
		out = append(out, question{[]string{"cost", "run", run}, map[string]object{"": e.Runs[run]}})
	}
	for _, lot := range slices.Sorted(maps.Keys(e.Lots)) {
		out = append(out, question{[]string{"cost", "lot", lot}, map[string]object{"": e.Lots[lot]}})
	}
	for _, d := range e.Drills {
		out = append(out, question{[]string{"drill", d["lot"].(string)}, map[string]object{"": d}})
	}
	for _, lot := range slices.Sorted(maps.Keys(e.Origins)) {
		out = append(out, question{[]string{"origins", lot}, map[string]object{"origins": e.Origins[lot]}})
	}
	return out
}

// differences compares what was printed with what is expected and names each field that is further off than its tolerance.
func (q question) differences(t *testing.T, printed string) []string {
	t.Helper()
	var got object
	planttest.Decode(t, printed, &got)
	var out []string
	for _, at := range slices.Sorted(maps.Keys(q.want)) {
		part := got
		if at != "" {
			part, _ = got[at].(object)
		}
		if at == "origins" {
			out = append(out, shareDifferences(q.want[at], part)...)
			continue
		}
		for _, field := range slices.Sorted(maps.Keys(q.want[at])) {
			if d := fieldDifference(field, q.want[at][field], part[field]); d != "" {
				out = append(out, d)
			}
		}
	}
	for i := range out {
		out[i] = strings.Join(q.args, " ") + ": " + out[i]
	}
	return out
}

// tolerance of a field, as testdata/season/README.md states it: weights 0.001 lb, totals 0.01 $, per pound 0.0001 $; a count is exact.
func tolerance(field string) *big.Rat {
	switch {
	case slices.Contains([]string{"deliveries", "lots", "runs", "shipments", "lines", "distinct"}, field):
		return new(big.Rat)
	case strings.HasSuffix(field, "_per_lb"):
		return big.NewRat(1, 10_000)
	case strings.HasSuffix(field, "_lb"), strings.HasSuffix(field, "_pct"):
		return big.NewRat(1, 1000)
	}
	return big.NewRat(1, 100)
}

func fieldDifference(field string, want, got any) string {
	switch want := want.(type) {
	case json.Number:
		n, ok := got.(json.Number)
		if !ok || !near(want, n, tolerance(field)) {
			return fmt.Sprintf("%s is %v, want %v within %s", field, got, want, tolerance(field).FloatString(6))
		}
	case []any:
		list, _ := got.([]any)
		if missing, extra := setDifference(want, list); len(missing)+len(extra) > 0 {
			return fmt.Sprintf("%s lacks %v and has %v too much", field, missing, extra)
		}
	default: // text or null
		if got != want {
			return fmt.Sprintf("%s is %#v, want %#v", field, got, want)
		}
	}
	return ""
}

func near(a, b json.Number, by *big.Rat) bool {
	x, okX := new(big.Rat).SetString(a.String())
	y, okY := new(big.Rat).SetString(b.String())
	if !okX || !okY {
		return false
	}
	d := x.Sub(x, y)
	return d.Abs(d).Cmp(by) <= 0
}

// setDifference compares lists of texts as sets; one that stands twice counts as too much.
func setDifference(want, got []any) (missing, extra []string) {
	seen := map[string]int{}
	for _, w := range want {
		seen[fmt.Sprint(w)]++
	}
	for _, g := range got {
		seen[fmt.Sprint(g)]--
	}
	for _, text := range slices.Sorted(maps.Keys(seen)) {
		switch n := seen[text]; cmp.Compare(n, 0) {
		case 1:
			missing = append(missing, text)
		case -1:
			extra = append(extra, text)
		}
	}
	return missing, extra
}

// shareDifferences compares shares to 1e-6 and asks that those printed add up to one exactly.
func shareDifferences(want, got object) []string {
	var out []string
	sum := new(big.Rat)
	for _, lot := range slices.Sorted(maps.Keys(got)) {
		n, _ := new(big.Rat).SetString(fmt.Sprint(got[lot]))
		if n == nil {
			return append(out, fmt.Sprintf("share of %s is %v, no number", lot, got[lot]))
		}
		sum.Add(sum, n)
		if _, ok := want[lot]; !ok {
			out = append(out, fmt.Sprintf("%s has a share of %v and none is expected", lot, got[lot]))
		}
	}
	if sum.Cmp(big.NewRat(1, 1)) != 0 {
		out = append(out, "shares add up to "+sum.FloatString(18))
	}
	for _, lot := range slices.Sorted(maps.Keys(want)) {
		n, ok := got[lot].(json.Number)
		if !ok || !near(want[lot].(json.Number), n, big.NewRat(1, 1_000_000)) {
			out = append(out, fmt.Sprintf("share of %s is %v, want %v within 1e-6", lot, got[lot], want[lot]))
		}
	}
	return out
}

// The comparer itself must be able to fail: each line is a difference that a wrong program would print.
func TestDifferencesAreSeen(t *testing.T) {
	t.Parallel()
	q := question{[]string{"x"}, map[string]object{"": {
		"cost": json.Number("10.00"), "made_lb": json.Number("5.0"), "cost_per_lb": nil, "owner": "", "customers": []any{"C1", "C2"}, "lots": json.Number("7"),
	}, "origins": {"D-1": json.Number("0.25"), "D-2": json.Number("0.75")}}}
	const right = `{"cost":10.0099,"made_lb":5.0009,"cost_per_lb":null,"owner":"","customers":["C2","C1"],"lots":7,"origins":{"D-1":0.2500004,"D-2":0.7499996}}`
	require.Empty(t, q.differences(t, right))
	for _, change := range [][2]string{
		{"10.0099", "10.0101"}, {"5.0009", "4.9989"}, {`"cost_per_lb":null`, `"cost_per_lb":0`}, {`"owner":""`, `"owner":"K1"`}, {`["C2","C1"]`, `["C2"]`},
		{`["C2","C1"]`, `["C2","C1","C1"]`}, {`"lots":7`, `"lots":8`}, {"0.2500004", "0.2500005"}, {`"D-2":0.7499996`, `"D-3":0.7499996`}, {`"owner":"",`, ``},
	} {
		if got := q.differences(t, strings.Replace(right, change[0], change[1], 1)); len(got) == 0 {
			t.Errorf("%s in place of %s: no difference seen", change[1], change[0])
		}
	}
}
