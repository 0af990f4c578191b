package reckon

import (
	"os"
	"testing"

	"huskline/internal/exacttest"
)

func TestCases(t *testing.T) {
	t.Parallel()
	file, err := os.ReadFile("../../../testdata/reckon/examples.json")
	if err != nil {
		t.Fatal(err)
	}
	exacttest.Cases(t, file, Calculators())
}

func TestRefusals(t *testing.T) {
	t.Parallel()
	for name, cases := range map[string][][2]string{
		"apportion": {
			{`{"amount":"1","step":"0.01","parts":[{"key":"a","weight":"-1"},{"key":"b","weight":"2"}]}`, "parts[0].weight"},
			{`{"amount":"1","step":"0.01","parts":[{"key":"a","weight":"0"}]}`, "parts"},
			{`{"amount":"1","step":"0.01","parts":[]}`, "parts"},
			{`{"amount":"0.005","step":"0.01","parts":[{"key":"a","weight":"1"}]}`, "amount"},
			{`{"amount":"1","step":"0","parts":[{"key":"a","weight":"1"}]}`, "step"},
			{`{"amount":"1","step":"1","parts":[{"key":"a","weight":"1"},{"key":"a","weight":"1"}]}`, "parts[1].key"},
			{`{"amount":"1","parts":[{"key":"a","weight":"1"}]}`, "step"},
			{`{"amount":"1","step":"1","parts":[{"key":"a","weight":"1","colour":"1"}]}`, "parts[0].colour"},
		},
		"shrink": {
			{`{"weight_lb":"1000","from_pct":"100","to_pct":"5"}`, "from_pct"},
			{`{"weight_lb":"1000","from_pct":"8","to_pct":"-1"}`, "to_pct"},
			{`{"weight_lb":"0","from_pct":"8","to_pct":"4"}`, "weight_lb"},
			{`{"weight_lb":"1","from_pct":"8","to_pct":"4","handling_pct":"1"}`, "handling_on"},
			{`{"weight_lb":"1","from_pct":"8","to_pct":"4","handling_pct":"1","handling_on":"lot"}`, "handling_on"},
			{`{"weight_lb":"1","from_pct":"90","to_pct":"4","handling_pct":"50","handling_on":"delivered"}`, "handling_pct"},
		},
		"landed": {
			{`{"delivered_lb":"1","from_pct":"1","to_pct":"1","charges":[{"name":"x","rate":"1","base":"kernel"}]}`, "charges[0].base"},
		},
		"break-even": {
			{`{"yields":[],"products":[]}`, "yields"},
			{`{"yields":["0"],"products":[{"name":"a","share_pct":"100","price":"1"}]}`, "yields[0]"},
			{`{"yields":["50"],"products":[{"name":"a","share_pct":"90","price":"1"}]}`, "products"},
			{`{"yields":["50"],"products":[{"name":"a","share_pct":"100","price":"1"}],"costs":[{"name":"c","rate":"1","base":"dried"}]}`, "costs[0].base"},
		},
		"point-price": {
			{`{"kernel_pct":"50"}`, "price_per_kernel_lb"},
			{`{"kernel_pct":"50","price_per_kernel_lb":"1","price_per_delivered_lb":"1"}`, "price_per_delivered_lb"},
			{`{"kernel_pct":"0","price_per_kernel_lb":"1"}`, "kernel_pct"},
		},
		"size-class": {
			{`{"standard":"pecan-in-shell","edition":"1999","count_per_lb":"55"}`, "edition"},
			{`{"standard":"walnut-halves","edition":"1976","count_per_lb":"55"}`, "standard"},
			{`{"standard":"pecan-in-shell","edition":"1976"}`, "nuts"},
			{`{"standard":"pecan-in-shell","edition":"1976","nuts":"10"}`, "weight_g"},
			{`{"standard":"pecan-in-shell","edition":"1976","count_per_lb":"55","nuts":"10"}`, "count_per_lb"},
			{`{"standard":"pecan-in-shell","count_per_lb":"55"}`, "edition"},
			{`{"standard":"pecan-halves","edition":"1969","count_per_lb":"300","ten_smallest_pct":"8"}`, "ten_smallest_pct"},
		},
		"count-tolerance": {
			{`{"stated":"about 400","actual_per_lb":"400"}`, "stated"},
			{`{"stated":"700-600","actual_per_lb":"650"}`, "stated"},
		},
		"scale-tolerance": {
			{`{"class":"V","division_lb":"1","load_lb":"1","kind":"acceptance"}`, "class"},
			{`{"class":"III","division_lb":"0","load_lb":"1","kind":"acceptance"}`, "division_lb"},
			{`{"class":"III","division_lb":"1","load_lb":"-1","kind":"acceptance"}`, "load_lb"},
		},
		"assessment": {
			{`{"date":"2021-02-30","category":"improved","in_shell_lb":"1"}`, "date"},
			{`{"date":"2016-09-30","category":"improved","in_shell_lb":"1"}`, "date"},
			{`{"date":"2021-09-30","category":"wild","in_shell_lb":"1"}`, "category"},
		},
		"adjusted-kernel": {
			{`{"lot_lb":"1","edible_g":"1","inedible_g":"0","foreign_g":"0","moisture_pct":"5"}`, "edition"},
			{`{"edition":"2018","lot_lb":"1","edible_g":"1","inedible_g":"0","foreign_g":"0","moisture_pct":"5"}`, "edition"},
			{`{"edition":"2017","lot_lb":"1","edible_g":"0","inedible_g":"0","foreign_g":"0","moisture_pct":"5"}`, "edible_g"},
			{`{"edition":"2017","lot_lb":"1","edible_g":"1","inedible_g":"0","foreign_g":"0","moisture_pct":"100"}`, "moisture_pct"},
		},
	} {
		exacttest.Refusals(t, Calculators()[name], cases)
	}
}

func TestRulesBeyondTheCases(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, calculator, input, want string }{
		{"a negative amount is split as its absolute value", "apportion", `{"amount":"-0.05","step":"0.01","parts":[{"key":"a","weight":"70"},{"key":"b","weight":"30"}]}`,
			`{"parts":[{"amount":"-0.04"},{"amount":"-0.01"}]}`},
		{"keys are compared as bytes", "apportion", `{"amount":"1","step":"1","parts":[{"key":"a","weight":"1"},{"key":"B","weight":"1"}]}`,
			`{"parts":[{"key":"a","amount":"0"},{"key":"B","amount":"1"}]}`},
		{"handling on delivered weight, a seed company's example: 876.66 lb", "shrink",
			`{"weight_lb":1000,"from_pct":25.5,"to_pct":15.5,"handling_pct":0.5,"handling_on":"delivered"}`, `{"dried_lb":"876.657","lost_lb":"123.343","lost_pct":"12.3343"}`},
		{"handling on dried weight differs", "shrink",
			`{"weight_lb":"1000","from_pct":"25.5","to_pct":"15.5","handling_pct":"0.5","handling_on":"dried"}`, `{"dried_lb":"877.249"}`},
		{"water put in is a loss below zero", "shrink", `{"weight_lb":"95.833","from_pct":"4","to_pct":"8"}`, `{"dried_lb":"100.000","lost_lb":"-4.167"}`},
		{"a charge for the lot, one on dried pounds and a half cent", "landed",
			`{"delivered_lb":"100","from_pct":"8","to_pct":"4","charges":[{"name":"a","rate":"0.00125","base":"delivered"},{"name":"b","rate":"1","base":"dried"},
			{"name":"c","rate":"-5","base":"lot"}]}`, `{"dried_lb":"95.833","charges":[{"amount":"0.13"},{"amount":"95.83"},{"amount":"-5.00"}],"total":"90.96","per_dried_lb":"0.949148"}`},
		{"one yield: clean is kernel; a selling deduction is on gross sales", "break-even",
			`{"yields":["50"],"products":[{"name":"k","share_pct":"100","price":"4"}],"selling_deduction_pct":"2.5","costs":[{"name":"c","rate":"0.10","base":"clean"}]}`,
			`{"sales_per_delivered":"2.000000","max_price_per_delivered":"1.900000","max_price_per_kernel":"3.800000"}`},
		{"between two whole counts: the class after 55", "size-class", `{"standard":"pecan-in-shell","edition":"2024","count_per_lb":"55.4"}`,
			`{"class":"Extra Large","reason":"the test of the ten smallest was not made"}`},
		{"the second test made", "size-class", `{"standard":"pecan-in-shell","edition":2024,"count_per_lb":"55","ten_smallest_pct":"7"}`, `{"class":"Jumbo","reason":null}`},
		{"the second test failed", "size-class", `{"standard":"pecan-in-shell","edition":"2024","count_per_lb":"55","ten_smallest_pct":"6.9"}`,
			`{"class":null,"reason":"the ten smallest of a hundred weigh 6.9 % of them, at least 7 % are asked for"}`},
		{"the hole of the 1976 table", "size-class", `{"standard":"pecan-in-shell","edition":"1976","count_per_lb":"120.01","ten_smallest_pct":"8"}`,
			`{"count_per_lb":"120.01","class":null,"reason":"pecan-in-shell 1976 has no class above 120 per pound"}`},
		{"19 halves an ounce are Jumbo", "size-class", `{"standard":"pecan-halves","edition":"1969","count_per_lb":"304"}`, `{"class":"Jumbo","reason":null}`},
		{"a range has no tolerance outside itself", "count-tolerance", `{"stated":"600-700","actual_per_lb":"700.5"}`, `{"low":"600","high":"700","within":false}`},
		{"a half-count tolerance", "count-tolerance", `{"stated":"450","actual_per_lb":"427.5"}`, `{"low":"427.5","high":"472.5","within":true}`},
		{"class III maintenance at 3,000 divisions", "scale-tolerance", `{"class":"III","division_lb":"0.1","load_lb":"300","kind":"maintenance"}`,
			`{"divisions_of_load":"3000","tolerance_divisions":"3","tolerance_lb":"0.3"}`},
		{"a truck scale at 40,010 lb", "scale-tolerance", `{"class":"III L","division_lb":"20","load_lb":"40010","kind":"acceptance"}`,
			`{"divisions_of_load":"2000.5","tolerance_divisions":"2.5","tolerance_lb":"50"}`},
		{"an empty truck scale", "scale-tolerance", `{"class":"III L","division_lb":"20","load_lb":"0","kind":"maintenance"}`, `{"tolerance_divisions":"1","tolerance_lb":"20"}`},
		{"a rate of zero keeps its line", "assessment", `{"date":"2021-10-01","category":"native","in_shell_lb":"100000"}`,
			`{"lines":[{"programme":"marketing order","rate":"0.00","amount":"0.00"},{"programme":"promotion","rate":"0.02","amount":"2000.00"}],"total":"2000.00"}`},
		{"1,777 lb native", "assessment", `{"date":"2016-10-01","category":"native","in_shell_lb":"1777"}`, `{"total":"35.54"}`},
		{"no processing loss from 95 % kernels on, no moisture above 5 %", "adjusted-kernel",
			`{"edition":"2017","lot_lb":"1000","edible_g":"900","inedible_g":"50","foreign_g":"50","moisture_pct":"4"}`,
			`{"net_shell_out_pct":"90.000","edible_lb":"900.000","inedible_lb":"50.000","adjusted_lb":"950.000"}`},
	} {
		exacttest.Expect(t, Calculators()[c.calculator], exacttest.Pair{Name: c.name, Input: c.input, Want: c.want})
	}
}
