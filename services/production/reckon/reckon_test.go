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
	all := Calculators()
	exacttest.Refusals(t, all["joint-cost"], [][2]string{
		{`{"joint_cost":"1","method":"by_feel","products":[{"name":"a","quantity":"1"}]}`, "method"},
		{`{"joint_cost":"1","method":"physical","products":[]}`, "products"},
		{`{"joint_cost":"1","method":"physical","products":[{"name":"a","quantity":"0"}]}`, "products"},
		{`{"joint_cost":"1.005","method":"physical","products":[{"name":"a","quantity":"1"}]}`, "joint_cost"},
		{`{"joint_cost":"1","method":"physical","products":[{"name":"a","quantity":"1"},{"name":"a","quantity":"1"}]}`, "products[1].name"},
		{`{"joint_cost":"1","method":"physical","products":[{"name":"a","quantity":"-1"}]}`, "products[0].quantity"},
		{`{"joint_cost":"1","method":"sales_value","products":[{"name":"a","quantity":"1"}]}`, "products[0].split_off_price"},
		{`{"joint_cost":"1","method":"nrv","products":[{"name":"a","quantity":"1","final_quantity":"1","final_price":"1","separable_cost":"2"}]}`, "products[0]"},
		{`{"joint_cost":"1","method":"physical","products":[{"name":"a"}]}`, "products[0].quantity"},
		{`{"joint_cost":"1","method":"physical","products":[{"name":"a","quantity":"1"}],"money_step":"0"}`, "money_step"},
	})
	exacttest.Refusals(t, all["process-cost"], [][2]string{
		{`{"method":"weighted_average","opening":{"units":"1","cost":{"dye":"1"}},"started_units":"1","period_cost":{"all":"1"},"finished_units":"2","closing":{"units":"0"}}`,
			"opening.cost.dye"},
		{`{"method":"fifo","opening":{"units":"3","cost":{"all":"1"}},"started_units":"1","period_cost":{"all":"1"},"finished_units":"2","closing":{"units":"2"}}`,
			"finished_units"},
		{`{"method":"fifo","started_units":"1","period_cost":{"all":"1"},"finished_units":"1","closing":{"units":"0","complete_pct":{"all":"101"}}}`,
			"closing.complete_pct.all"},
		{`{"method":"fifo","started_units":"1","period_cost":{"all":"1"},"finished_units":"1","closing":{"units":"0","complete_pct":{"labour":"1"}}}`,
			"closing.complete_pct.labour"},
		{`{"method":"fifo","started_units":"0","period_cost":{"all":"1"},"finished_units":"0","closing":{"units":"0"}}`, "period_cost.all"},
		{`{"method":"fifo","started_units":"1","period_cost":{"all":"1","all":"2"},"finished_units":"1","closing":{"units":"0"}}`, "period_cost.all"},
	})
	exacttest.Refusals(t, all["mix-yield"], [][2]string{
		{`{"inputs":[{"name":"a","standard_share_pct":"99","standard_price":"1","actual_quantity":"1"}],"allowed_input":"1"}`, "inputs"},
	})
	exacttest.Refusals(t, all["lower-of-cost"], [][2]string{
		{`{"items":[],"by":"item"}`, "items"},
		{`{"items":[{"name":"a","quantity":"1","cost":"1","nrv_per_unit":"1"}],"by":"guess"}`, "by"},
	})
}

func TestRulesBeyondTheCases(t *testing.T) {
	t.Parallel()
	for _, c := range []struct{ name, calculator, input, want string }{
		{"margins by physical units, a known exercise: -3.1250 % and 13.2353 %", "joint-cost",
			`{"joint_cost":"30000","method":"physical","products":[{"name":"powder","quantity":"600","final_quantity":"6000","final_price":"4","separable_cost":"12750"},
			{"name":"milk","quantity":"900","final_quantity":"10200","final_price":"5","separable_cost":"26250"}]}`,
			`{"products":[{"margin_pct":"-3.125000"},{"margin_pct":"13.235294"}]}`},
		{"no final price, no margin", "joint-cost", `{"joint_cost":1,"method":"physical","products":[{"name":"a","quantity":1}]}`,
			`{"by_product_credit":"0.00","products":[{"margin_pct":null,"per_unit":"1.000000"}]}`},
		{"parts of 10.005 and -5.005 are floored toward minus infinity", "joint-cost",
			`{"joint_cost":"5.00","method":"constant_margin","products":[{"name":"a","quantity":"1","final_quantity":"1","final_price":"10.005","separable_cost":"0"},
			{"name":"b","quantity":"1","final_quantity":"1","final_price":"0","separable_cost":"5.005"}]}`,
			`{"products":[{"amount":"10.01"},{"amount":"-5.01"}]}`},
		{"stock compared in total", "lower-of-cost", `{"by":"total","items":[{"name":"a","quantity":"100","cost":"500.00","nrv_per_unit":"4.50"},
			{"name":"b","quantity":"50","cost":"200.00","nrv_per_unit":"6.00"}]}`, `{"write_down":"0.00"}`},
		{"mix and yield with prices: 20 lb at 6 for 7 is 20 favourable", "mix-yield",
			`{"inputs":[{"name":"a","standard_share_pct":"100","standard_price":"7","actual_quantity":"20","actual_price":"6"}],"allowed_input":"20"}`,
			`{"price":"20.00","mix":"0.00","yield":"0.00","total":"20.00","lines":[{"name":"a","price":"20.00"}]}`},
		{"whole currency units", "joint-cost", `{"joint_cost":"10","method":"physical","money_step":"1","products":[{"name":"a","quantity":"1"},{"name":"b","quantity":"2"}]}`,
			`{"products":[{"amount":"3"},{"amount":"7"}]}`},
	} {
		exacttest.Expect(t, Calculators()[c.calculator], exacttest.Pair{Name: c.name, Input: c.input, Want: c.want})
	}
}
