package seasonfile

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// brokenFolder is a sound folder with something changed, and the faults that must be found: these and no others.
type brokenFolder struct {
	name  string
	edits []edit
	want  []string
}

func runBroken(t *testing.T, cases []brokenFolder) {
	t.Helper()
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			if diff := cmp.Diff(c.want, found(t, smallWith(t, c.edits...))); diff != "" {
				t.Errorf("faults after %v (-want +got):\n%s", c.edits, diff)
			}
		})
	}
}

func TestBrokenForm(t *testing.T) {
	t.Parallel()
	runBroken(t, []brokenFolder{
		{"missing file", []edit{{AdjustmentsFile, "", absent}}, []string{"adjustments.csv file_missing"}},
		{"unknown file", []edit{{"delivery.csv", "", "lot\n"}}, []string{"delivery.csv file_unknown"}},
		{"files that may be absent", []edit{{ContributionsFile, "", absent}}, nil},
		{"empty file", []edit{{AdjustmentsFile, "", ""}}, []string{"adjustments.csv:1 header_missing"}},
		{"missing column", []edit{{AdjustmentsFile, "lot,delta_lb", "lot"}}, []string{"adjustments.csv:1 delta_lb column_missing"}},
		{"unknown column", []edit{{AdjustmentsFile, "reason", "reason,who"}}, []string{"adjustments.csv:1 who column_unknown"}},
		{"column in other case", []edit{{FinalPricesFile, "time", "Time"}}, []string{"final_prices.csv:1 Time column_unknown", "final_prices.csv:1 time column_missing"}},
		{"column twice", []edit{{AdjustmentsFile, "time,lot", "time,lot,lot"}}, []string{"adjustments.csv:1 lot column_twice"}},
		{"too many cells", []edit{{AdjustmentsFile, "moisture", "moisture,x"}}, []string{"adjustments.csv:2 ragged_row"}},
		{"too few cells", []edit{{AdjustmentsFile, ",moisture", ""}}, []string{"adjustments.csv:2 ragged_row"}},
		{"bare quote", []edit{{AdjustmentsFile, "moisture", "mois\"ture"}}, []string{"adjustments.csv:2 not_csv"}},
		{"quote not closed", []edit{{AdjustmentsFile, "moisture", "\"moisture"}}, []string{"adjustments.csv:2 not_csv"}},
		{"UTF-16", []edit{{AdjustmentsFile, "", "\xff\xfea\x00"}}, []string{"adjustments.csv:1 encoding"}},
		{"Latin-1", []edit{{PartiesFile, "Grower 1", "Gr\xf6wer"}}, []string{"parties.csv:2 name not_utf8"}},
		{"NUL", []edit{{PartiesFile, "Grower 1", "Gr\x00wer"}}, []string{"parties.csv:2 name control_character"}},
		{"row after a line break in quotes", []edit{{PartiesFile, "Grower 1,seller", "\"Grower\n1\",sellar"}}, []string{
			"parties.csv:2 role word_unknown"}},
		{"thousands separator", []edit{{DeliveriesFile, "1100.000", "\"1,100.000\""}}, []string{"deliveries.csv:2 gross_lb number_malformed"}},
		{"exponent", []edit{{DeliveriesFile, "1100.000", "1.1e3"}}, []string{"deliveries.csv:2 gross_lb number_malformed"}},
		{"full-width digits", []edit{{DeliveriesFile, "1100.000", "１１００"}}, []string{"deliveries.csv:2 gross_lb number_malformed"}},
		{"seven decimals", []edit{{DeliveriesFile, "1100.000", "1100.0000001"}}, []string{"deliveries.csv:2 gross_lb number_too_fine"}},
		{"plus sign", []edit{{DeliveriesFile, "1100.000", "+1100"}}, []string{"deliveries.csv:2 gross_lb number_malformed"}},
		{"blank before a number", []edit{{DeliveriesFile, "1100.000", " 1100"}}, []string{"deliveries.csv:2 gross_lb number_malformed"}},
		{"empty number", []edit{{DeliveriesFile, "1100.000", ""}}, []string{"deliveries.csv:2 gross_lb number_empty"}},
		{"too large", []edit{{DeliveriesFile, "1100.000", "99999999999999999"}}, []string{"deliveries.csv:2 gross_lb number_too_large"}},
		{"price of seven decimals", []edit{{DeliveriesFile, "2.2234", "2.2234567"}}, []string{"deliveries.csv:2 price_per_lb number_too_fine"}},
		{"price below zero", []edit{{DeliveriesFile, "2.2234", "-2.2234"}}, []string{"deliveries.csv:2 price_per_lb number_negative"}},
		{"time without zone", []edit{{DeliveriesFile, "2024-10-01T08:00:00Z", "2024-10-01T08:00:00"}}, []string{"deliveries.csv:2 time time_without_zone"}},
		{"day and month swapped", []edit{{DeliveriesFile, "2024-10-01T08:00:00Z", "2024-31-10T08:00:00Z"}}, []string{"deliveries.csv:2 time time_malformed"}},
		{"time as spreadsheets write it", []edit{{DeliveriesFile, "2024-10-01T08:00:00Z", "10/1/2024 8:00"}}, []string{"deliveries.csv:2 time time_malformed"}},
		{"time finer than a microsecond", []edit{{DeliveriesFile, "08:00:00Z", "08:00:00.0000001Z"}}, []string{"deliveries.csv:2 time time_too_fine"}},
		{"time in the future", []edit{{FinalPricesFile, "2024-11-02", "2025-11-02"}}, []string{"final_prices.csv:3 time time_in_future"}},
		{"unknown role", []edit{{RunOutputsFile, "byproduct", "co-product"}}, []string{"run_outputs.csv:4 role word_unknown"}},
		{"unknown ownership", []edit{{DeliveriesFile, "company", "ours"}}, []string{"deliveries.csv:2 ownership word_unknown"}},
		{"unknown kind of item", []edit{{ItemsFile, "ingredient", "sweet"}}, []string{"items.csv:7 kind word_unknown"}},
		{"unknown reason", []edit{{AdjustmentsFile, "moisture", "evaporation"}}, []string{"adjustments.csv:2 reason word_unknown"}},
		{"moisture above 100", []edit{{DeliveriesFile, "5.3", "100"}}, []string{"deliveries.csv:2 moisture_pct percent_not_below_100"}},
		{"kernel above sample", []edit{{DeliveriesFile, "1000,583", "500,583"}}, []string{"deliveries.csv:2 sample_kernel_g kernel_above_sample"}},
		{"blank in a key", []edit{{PartiesFile, "C1,", "C 1,"}}, []string{"parties.csv:5 party key_malformed", "shipments.csv:2 customer party_unknown",
			"shipments.csv:4 customer party_unknown", "shipments.csv:5 customer party_unknown"}},
		{"stage in capitals", []edit{{RunsFile, "shell,", "Shell,"}}, []string{"runs.csv:2 stage stage_malformed"}},
		{"variety too long", []edit{{DeliveriesFile, "Pawnee", strings.Repeat("P", 101)}}, []string{"deliveries.csv:2 variety text_too_long"}},
		{"day malformed", []edit{{ReceiptsFile, "2025-06-30", "30.06.2025"}}, []string{"receipts.csv:2 best_by day_malformed"}},
		{"code of our shape, wrong check", []edit{{ReceiptsFile, "I-1", "N240000010"}, {RunInputsFile, "I-1", "N240000010"}}, []string{
			"receipts.csv:2 lot lot_code_check", "run_inputs.csv:5 lot lot_code_check"}},
		{"wrong unit", []edit{{WeighingsFile, "LBR", "PND"}}, []string{"weighings.csv:2 unit unit_unknown"}},
		{"reading with exponent", []edit{{WeighingsFile, "1100.000", "11e2"}}, []string{"weighings.csv:2 reading number_malformed"}},
		{"reading too fine", []edit{{WeighingsFile, "45.359237", "45.3592370"}}, []string{"weighings.csv:4 reading number_too_fine"}},
		{"sequence zero", []edit{{WeighingsFile, "T-1,2", "T-1,0"}}, []string{"weighings.csv:4 seq out_of_range"}},
		{"unknown kind of reading", []edit{{WeighingsFile, "tare", "empty"}}, []string{"weighings.csv:4 kind word_unknown"}},
	})
}

func TestBrokenRows(t *testing.T) {
	t.Parallel()
	runBroken(t, []brokenFolder{
		{"tare above gross", []edit{{DeliveriesFile, "600.000,100.000", "600.000,600.001"}}, []string{"deliveries.csv:3 tare_lb tare_above_gross"}},
		{"net of zero", []edit{{DeliveriesFile, "600.000,100.000", "600.000,600.000"}}, []string{"deliveries.csv:3 tare_lb net_not_positive"}},
		{"custom delivery with a price", []edit{{DeliveriesFile, "300.000,0.000,,,,,,,,", "300.000,0.000,,,,,,,1.00,"}}, []string{"deliveries.csv:4 price_per_lb custom_priced"}},
		{"company delivery without a price", []edit{{DeliveriesFile, "2.0000", ""}}, []string{"deliveries.csv:3 price_per_lb price_missing"}},
		{"custom nuts of a seller", []edit{{PartiesFile, "K2,Client 2,custom_client", "K2,Client 2,seller"}}, []string{"deliveries.csv:5 ownership owner_not_custom_client"}},
		{"party twice", []edit{{PartiesFile, "S1,", "C1,Other,customer,\nS1,"}}, []string{"parties.csv:6 party duplicate"}},
		{"delivery twice", []edit{{DeliveriesFile, "D-4,", "D-1,"}}, []string{"deliveries.csv:5 lot lot_born_twice"}},
		{"lot born by delivery and run", []edit{{RunOutputsFile, "N-4", "D-4"}, {ShipmentsFile, "N-4", "D-4"}}, []string{
			"run_outputs.csv:5 lot lot_born_twice", "shipments.csv:3 customer another_owners_lot"}},
		{"bin lot born by a delivery", []edit{{PoursFile, "B-1,D-2", "D-1,D-2"}, {RunInputsFile, "B-1,900", "B-1,400"}, {RunOutputsFile, "350.000", "1.000"},
			{RunOutputsFile, "400.000", "299.000"}}, []string{"pours.csv:3 bin_lot lot_born_twice"}},
		{"run twice", []edit{{RunsFile, "R-2,", "R-1,"}}, []string{"runs.csv:3 run duplicate", "run_inputs.csv:3 run run_unknown", "run_outputs.csv:5 run run_unknown"}},
		{"input twice", []edit{{RunInputsFile, "R-4,N-2,60.000,\n", "R-4,N-2,60.000,\nR-4,N-2,60.000,\n"}}, []string{"run_inputs.csv:7 lot duplicate"}},
		{"contribution twice", []edit{{ContributionsFile, "N-3,N-5,0.000", "N-2,N-5,0.000"}}, []string{"contributions.csv:3 output_lot duplicate"}},
		{"pour twice", []edit{{PoursFile, "P-2", "P-1"}}, []string{"pours.csv:3 pour duplicate"}},
		{"adjustment twice", []edit{{AdjustmentsFile, "moisture\n", "moisture\nA-1,2024-10-04T08:00:00Z,N-1,-1.500,moisture\n"}}, []string{"adjustments.csv:3 adjustment duplicate"}},
		{"shipment line twice", []edit{{ShipmentsFile, "C1,F-1,20", "C1,N-1,20"}}, []string{"shipments.csv:5 shipment duplicate"}},
		{"lines of a shipment differ", []edit{{ShipmentsFile, "10:00:00Z,C1,F-1", "10:01:00Z,C1,F-1"}}, []string{"shipments.csv:5 shipment shipment_lines_differ"}},
		{"final price twice", []edit{{FinalPricesFile, "2024-11-02", "2024-11-01"}}, []string{"final_prices.csv:3 lot duplicate"}},
		{"final price of a receipt", []edit{{FinalPricesFile, "D-1,2024-11-02", "I-1,2024-11-02"}}, []string{"final_prices.csv:3 lot not_a_delivery"}},
		{"final price of custom nuts", []edit{{FinalPricesFile, "D-1,2024-11-02", "D-3,2024-11-02"}}, []string{"final_prices.csv:3 lot custom_priced"}},
		{"final price before delivery", []edit{{FinalPricesFile, "2024-11-02", "2024-09-02"}}, []string{"final_prices.csv:3 time lot_not_there_yet"}},
		{"unknown party, item, lot, run, shipment", []edit{{DeliveriesFile, "G1,company,IN,Pawnee,2024,600", "G9,company,XX,Pawnee,2024,600"}, {AdjustmentsFile, "N-1", "N-9"},
			{ContributionsFile, "R-4,N-2", "R-9,N-2"}, {ReturnsFile, "X-1,V-2", "X-9,V-2"}, {FinalPricesFile, "D-1,2024-11-02", "D-9,2024-11-02"}}, []string{
			"deliveries.csv:3 seller party_unknown", "deliveries.csv:3 item item_unknown", "contributions.csv:2 run run_unknown",
			"contributions.csv:3 weight_lb contributions_not_output", "pours.csv:3 lot items_mixed", "adjustments.csv:2 lot lot_unknown",
			"returns.csv:3 shipment shipment_unknown", "final_prices.csv:3 lot lot_unknown"}},
		{"run ends before it starts", []edit{{RunsFile, "2024-10-02T14:00:00Z", "2024-10-02T12:59:59Z"}}, []string{"runs.csv:3 end end_before_start"}},
		{"dump ends before it starts", []edit{{RunInputsFile, "dumped_from", "dumped_from,dumped_to"}, {RunInputsFile, "", "run,lot,weight_lb,dumped_from,dumped_to\n" +
			"R-1,B-1,900.000,2024-10-02T10:30:00Z,2024-10-02T10:20:00Z\nR-2,D-3,300.000,,\nR-3,N-1,100.000,,\nR-3,I-1,50.000,,\nR-4,N-2,60.000,,\nR-4,N-3,40.000,,\nR-5,N-1,50,,\n"}},
			[]string{"run_inputs.csv:2 dumped_to end_before_start"}},
	})
}

func TestBrokenRunsOwnersAndLedger(t *testing.T) {
	t.Parallel()
	runBroken(t, []brokenFolder{
		{"outputs above inputs", []edit{{RunOutputsFile, "149.000", "150.001"}}, []string{"runs.csv:4 outputs_above_inputs"}},
		{"run without input", []edit{{RunInputsFile, "R-2,D-3,300.000,\n", ""}}, []string{"runs.csv:3 run_without_input"}},
		{"run without main output", []edit{{RunOutputsFile, "149.000,main", "149.000,waste"}}, []string{"runs.csv:4 run_without_main"}},
		{"main outputs partly priced", []edit{{RunOutputsFile, "N-2,KB", "N-2,KN"}}, []string{"run_outputs.csv:3 item mains_partly_priced"}},
		{"a price of zero beside another", []edit{{ItemsFile, "kernel,4.00", "kernel,0"}}, []string{
			"run_outputs.csv:3 item mains_partly_priced", "run_outputs.csv:8 item mains_partly_priced"}},
		{"contributions above input", []edit{{ContributionsFile, "N-2,N-5,60.000", "N-2,N-5,60.001"}, {RunOutputsFile, "N-5,KA,60.000", "N-5,KA,60.001"}}, []string{
			"contributions.csv:2 weight_lb contributions_above_input"}},
		{"contributions short of output", []edit{{ContributionsFile, "38.000", "37.999"}}, []string{"contributions.csv:4 weight_lb contributions_not_output"}},
		{"contribution of no input", []edit{{ContributionsFile, "N-3,N-6", "N-1,N-6"}}, []string{"contributions.csv:4 input_lot not_an_input"}},
		{"contribution to no output", []edit{{ContributionsFile, "N-3,N-6", "N-3,N-4"}}, []string{"contributions.csv:4 output_lot not_an_output"}},
		{"owners mixed in a run", []edit{{RunInputsFile, "R-3,I-1,50.000", "R-3,N-4,50.000"}, {ShipmentsFile, "N-4,150", "N-4,100"}}, []string{
			"run_inputs.csv:5 lot owners_mixed"}},
		{"two clients in a run", []edit{{RunInputsFile, "R-2,D-3,300.000,\n", "R-2,D-3,300.000,\nR-2,D-4,100.000,\n"}}, []string{"run_inputs.csv:4 lot owners_mixed"}},
		{"owners mixed in a bin", []edit{{PoursFile, "D-2,500", "D-4,200"}, {RunInputsFile, "B-1,900", "B-1,600"}, {RunOutputsFile, "350.000", "50.000"}}, []string{
			"pours.csv:3 lot owners_mixed"}},
		{"owner's lot to a stranger", []edit{{ShipmentsFile, "K1,N-4", "K2,N-4"}}, []string{"shipments.csv:3 customer another_owners_lot"}},
		{"company's lot returned to an owner", []edit{{ShipmentsFile, "C1,N-1,100.000,bulk", "K1,N-1,100.000,return to owner"}}, []string{
			"shipments.csv:2 channel no_owner_to_return_to"}},
		{"run fed from its own output", []edit{{RunInputsFile, "R-5,N-1,50.000,", "R-5,N-3,50.000,2024-10-02T11:30:00Z"}}, []string{
			"run_inputs.csv:8 lot run_fed_from_own_output", "run_inputs.csv:8 weight_lb lot_below_zero"}},
		{"run fed from its own output by way of another", []edit{{RunInputsFile, "R-1,B-1,900.000,\n", "R-1,B-1,900.000,\nR-1,N-3,1.000,2024-10-02T11:40:00Z\n"},
			{RunInputsFile, "R-4,N-3,40.000", "R-4,N-3,39.000"}}, []string{"run_inputs.csv:3 lot run_fed_from_own_output", "run_inputs.csv:9 lot run_fed_from_own_output"}},
		{"bin fed from itself", []edit{{PoursFile, "P-2,2024-10-02T08:05:00Z,B-1,D-2", "P-2,2024-10-02T08:05:00Z,B-1,B-1"}, {RunInputsFile, "B-1,900", "B-1,400"},
			{RunOutputsFile, "350.000", "1.000"}, {RunOutputsFile, "400.000", "299.000"}}, []string{"pours.csv:3 lot poured_into_itself"}},
		{"two bins fed from each other", []edit{{PoursFile, "P-2,2024-10-02T08:05:00Z,B-1,D-2,500.000\n",
			"P-2,2024-10-02T08:05:00Z,B-1,D-2,500.000\nP-3,2024-10-02T08:06:00Z,B-2,B-1,10.000\nP-4,2024-10-02T08:07:00Z,B-1,B-2,10.000\n"},
			{RunInputsFile, "B-1,900", "B-1,890"}}, []string{
			"pours.csv:4 lot pour_fed_from_own_bin", "pours.csv:5 lot pour_fed_from_own_bin", "pours.csv:5 bin_lot bin_drawn_already"}},
		{"lot below zero at the end", []edit{{ShipmentsFile, "C1,F-1,20.000", "C1,F-1,149.001"}}, []string{"shipments.csv:5 weight_lb lot_below_zero"}},
		{"lot below zero in between", []edit{{AdjustmentsFile, "N-1,-1.500", "N-1,-400.000"}, {AdjustmentsFile, "moisture\n", "moisture\nA-2,2024-10-07T08:00:00Z,N-1,400.000,moisture\n"}},
			[]string{"adjustments.csv:2 delta_lb lot_below_zero"}},
		{"used before it was there", []edit{{ShipmentsFile, "X-1,2024-10-05T08:00:00Z", "X-1,2024-10-02T10:59:59Z"}}, []string{"shipments.csv:2 weight_lb lot_not_there_yet"}},
		{"output drawn before its run ended, after it was filled", []edit{{ShipmentsFile, "X-1,2024-10-05T08:00:00Z", "X-1,2024-10-02T11:00:00Z"}}, nil},
		{"bin poured after it was drawn", []edit{{PoursFile, "P-2,2024-10-02T08:05:00Z", "P-2,2024-10-02T10:05:00Z"}, {RunInputsFile, "B-1,900", "B-1,400"},
			{RunOutputsFile, "350.000", "1.000"}, {RunOutputsFile, "400.000", "299.000"}}, []string{"pours.csv:3 bin_lot bin_drawn_already"}},
		{"pour at the instant of the first draw comes after it", []edit{{PoursFile, "P-2,2024-10-02T08:05:00Z", "P-2,2024-10-02T10:00:00Z"}}, []string{
			"run_inputs.csv:2 weight_lb lot_below_zero"}},
		{"returned above shipped", []edit{{ReturnsFile, "90.000", "90.001"}}, []string{"returns.csv:3 weight_lb returned_above_shipped"}},
		{"returned before shipped", []edit{{ReturnsFile, "T-1,2024-10-06", "T-1,2024-10-04"}}, []string{"returns.csv:2 time returned_before_shipped"}},
		{"return of a shipment of two lines", []edit{{ReturnsFile, "X-1,V-2,90.000", "X-3,V-2,5.000"}}, []string{"returns.csv:3 shipment shipment_of_many_lines"}},
		{"a broken cell throws no shadow", []edit{{RunsFile, "2024-10-02T10:00:00Z", "noon"}, {PoursFile, "500.000", "half a ton"}}, []string{
			"runs.csv:2 start time_malformed", "pours.csv:3 weight_lb number_malformed"}},
	})
}
