package main

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// goodFolder is a small season without a fault; the tables change one thing in it. prefix goes before every code, so that several may go to one plant.
func goodFolder(prefix string) map[string]string {
	files := map[string]string{
		"parties.csv": "party,name,role\n~G1,Grower 1,seller\n~K1,Client 1,custom_client\n~C1,Customer 1,customer\n~S1,Supplier 1,supplier\n",
		"items.csv": "item,name,kind,split_off_price_per_lb,unit_lb,allergens\n~IN,in-shell,in_shell,,,tree nut\n~KA,halves,kernel,5.00,,tree nut\n" +
			"~KB,pieces,kernel,4.00,,tree nut\n~KN,granules,kernel,,,tree nut\n~SH,shells,byproduct,0.03,,\n~SU,sugar,ingredient,,,\n",
		"deliveries.csv": "lot,time,seller,ownership,item,variety,crop_year,gross_lb,tare_lb,moisture_pct,foreign_pct,sample_g,sample_kernel_g,sample_reject_g,nuts_per_lb,price_per_lb,freight\n" +
			"~D-1,2024-10-01T08:00:00Z,~G1,company,~IN,Pawnee,2024,1100.000,100.000,5.3,1.1,1000,583,20,78,2.2234,5.44\n" +
			"~D-2,2024-10-01T09:00:00Z,~K1,custom,~IN,Pawnee,2024,300.000,0.000,,,,,,,,\n",
		"receipts.csv":     "lot,time,supplier,item,weight_lb,cost\n~I-1,2024-10-01T12:00:00Z,~S1,~SU,50.000,25.00\n",
		"runs.csv":         "run,stage,line,start,end,labor_hours,labor_rate,machine_hours,machine_rate,other_cost,recipe\n~R-1,shell,line-1,2024-10-02T10:00:00Z,2024-10-02T12:00:00Z,10.5,18.00,2,30.00,12.34,\n",
		"run_inputs.csv":   "run,lot,weight_lb\n~R-1,~D-1,900.000\n",
		"run_outputs.csv":  "run,lot,item,weight_lb,role\n~R-1,~N-1,~KA,400.000,main\n~R-1,~N-2,~KB,100.000,main\n~R-1,~Y-1,~SH,350.000,byproduct\n",
		"adjustments.csv":  "adjustment,time,lot,delta_lb,reason\n~A-1,2024-10-04T08:00:00Z,~N-1,-1.500,moisture\n",
		"shipments.csv":    "shipment,time,customer,lot,weight_lb,channel\n~X-1,2024-10-05T08:00:00Z,~C1,~N-1,100.000,bulk\n",
		"final_prices.csv": "lot,time,final_price_per_lb\n~D-1,2024-11-01T08:00:00Z,2.3000\n",
		"weighings.csv":    "scale,seq,time,reading,unit,kind,reference\n~T1,1,2024-10-01T08:00:00Z,1100.000,LBR,gross,~D-1\n~T1,2,2024-10-01T08:01:00Z,45.359237,KGM,tare,\n",
	}
	for name, text := range files {
		files[name] = strings.ReplaceAll(text, "~", prefix)
	}
	return files
}

// change puts now in place of old in a file of the folder.
type change struct{ file, old, now string }

func changed(t *testing.T, files map[string]string, changes ...change) map[string]string {
	t.Helper()
	for _, c := range changes {
		require.Contains(t, files[c.file], c.old, "the change of %s finds nothing", c.file)
		files[c.file] = strings.Replace(files[c.file], c.old, c.now, 1)
	}
	return files
}

// TestBadInput holds the program to what it must say and not do about input that breaks a rule, on one plant, which must stay as it was throughout.
func TestBadInput(t *testing.T) {
	t.Parallel()
	up := planttest.Up(t, planttest.UpConfig{})
	tr := openTrade(t, up.GRPC, readToken(t, up.Dir), "")
	require.Equal(t, exitDone, command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, goodFolder("g-"))).Code)
	for name, test := range map[string]func(*testing.T, *planttest.One, *trade){
		"folders": badFolders, "commands": badCommands, "readings": badReadings, "usage": badUsage, "changed row": changedRow, "used plant": usedPlant, "plant": badPlant, "tokens": badTokens, "json door": jsonDoor,
		"json readings": jsonReadings,
	} {
		t.Run(name, func(t *testing.T) { test(t, up, tr) })
	}
}

// badFolders sends folders with one fault each. It catches a rule that the importer leaves to nobody, a message without its line, and a folder of
// which something was sent before the fault was found.
func badFolders(t *testing.T, up *planttest.One, tr *trade) {
	before := tr.ask(t, "balance")
	ahead := time.Now().Add(6 * time.Minute).UTC().Format(time.RFC3339)
	for _, tt := range []struct {
		name    string
		changes []change
		says    []string // file and line, then words of the rule and its limit
	}{
		{"unknown lot", []change{{"run_inputs.csv", "~D-1", "~D-9"}}, []string{"run_inputs.csv:2: lot", "~D-9", "lot_unknown"}},
		{"reused lot code", []change{{"run_outputs.csv", "~N-2", "~D-2"}}, []string{"run_outputs.csv:3: lot", "deliveries.csv:3", "never used again"}},
		{"code of our shape, wrong check character", []change{{"deliveries.csv", "~D-2", "D24ABCDEFZ"}}, []string{"deliveries.csv:3: lot", "D24ABCDEFZ", "check"}},
		{"net of zero", []change{{"deliveries.csv", "300.000,0.000", "300.000,300.000"}}, []string{"deliveries.csv:3", "300"}},
		{"tare above gross", []change{{"deliveries.csv", "300.000,0.000", "300.000,300.001"}}, []string{"deliveries.csv:3", "tare"}},
		{"below zero at a moment", []change{{"shipments.csv", "100.000", "398.501"}}, []string{"shipments.csv:2: weight_lb", "398.5", "never below zero"}},
		{"outputs above inputs", []change{{"run_outputs.csv", "350.000", "400.001"}}, []string{"runs.csv:2", "outputs", "no gain"}},
		{"another owner's lot beside ours", []change{{"run_inputs.csv", "900.000\n", "900.000\n~R-1,~D-2,1.000\n"}}, []string{"run_inputs.csv:3: lot", "never share a run"}},
		{"another owner's lot to a customer", []change{{"shipments.csv", "~N-1,100.000", "~D-2,100.000"}}, []string{"shipments.csv:2: customer", "~K1 and may go to nobody else"}},
		{"run fed from its own outputs", []change{{"run_inputs.csv", "900.000\n", "900.000\n~R-1,~N-1,1.000\n"}}, []string{"run_inputs.csv:3: lot", "own outputs"}},
		{"six minutes ahead", []change{{"shipments.csv", "2024-10-05T08:00:00Z", ahead}}, []string{"shipments.csv:2: time", "5 minutes"}},
		{"before the lot existed", []change{{"shipments.csv", "2024-10-05T08:00:00Z", "2024-10-02T11:00:00Z"}}, []string{"shipments.csv:2", "before it was there"}},
		{"missing column", []change{{"shipments.csv", ",channel", ""}, {"shipments.csv", ",bulk", ""}}, []string{"shipments.csv:1: channel", "required"}},
		{"unknown column", []change{{"shipments.csv", ",channel", ",channel,colour"}, {"shipments.csv", ",bulk", ",bulk,red"}}, []string{"shipments.csv:1: colour", "no such column"}},
		{"wrong unit", []change{{"weighings.csv", "LBR", "PND"}}, []string{"weighings.csv:2: unit", "PND", "KGM"}},
		{"thousands separator", []change{{"deliveries.csv", "1100.000", "\"1,100.000\""}}, []string{"deliveries.csv:2: gross_lb", "1,100.000"}},
		{"exponent", []change{{"deliveries.csv", "1100.000", "1.1e3"}}, []string{"deliveries.csv:2: gross_lb", "1.1e3"}},
		{"full-width digits", []change{{"deliveries.csv", "1100.000", "１１００"}}, []string{"deliveries.csv:2: gross_lb", "１１００"}},
		{"more places than a micropound", []change{{"deliveries.csv", "1100.000", "1100.0000001"}}, []string{"deliveries.csv:2: gross_lb", "6"}},
		{"time without zone", []change{{"deliveries.csv", "2024-10-01T08:00:00Z", "2024-10-01T08:00:00"}}, []string{"deliveries.csv:2: time", "zone"}},
		{"some main outputs priced and some not", []change{{"run_outputs.csv", "~N-2,~KB", "~N-2,~KN"}}, []string{"run_outputs.csv:3: item", "mains_partly_priced"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			for i := range tt.changes {
				tt.changes[i].old, tt.changes[i].now = strings.ReplaceAll(tt.changes[i].old, "~", "f-"), strings.ReplaceAll(tt.changes[i].now, "~", "f-")
			}
			r := command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, changed(t, goodFolder("f-"), tt.changes...)))
			if r.Code != exitRefused {
				t.Errorf("exit %d, want 2", r.Code)
			}
			for _, word := range append(tt.says, "nothing was sent") {
				if word = strings.ReplaceAll(word, "~", "f-"); !strings.Contains(r.Err, word) {
					t.Errorf("%q is not in what it says: %s", word, r.Err)
				}
			}
		})
	}
	t.Run("one bad row among 100,000", func(t *testing.T) { badAmongMany(t, up) })
	if after := tr.ask(t, "balance"); after != before {
		t.Errorf("the plant has changed:\n%s\nwas:\n%s", after, before)
	}
}

// badAmongMany has two faults at the far end of a long file: both are listed, nothing is sent.
func badAmongMany(t *testing.T, up *planttest.One) {
	files := goodFolder("m-")
	var b strings.Builder
	b.WriteString(files["adjustments.csv"])
	for i := range 100_000 {
		lost := "-0.001"
		if i == 99_998 {
			lost = "-0,001"
		}
		fmt.Fprintf(&b, "m-B-%06d,2024-10-04T09:00:00Z,m-D-1,\"%s\",moisture\n", i, lost)
	}
	b.WriteString("m-B-100000,2024-10-04T09:00:00Z,m-D-1,-0.001,thirst\n")
	files["adjustments.csv"] = b.String()
	r := command(t, "--data", up.Dir, "import", planttest.WriteFiles(t, files))
	if r.Code != exitRefused {
		t.Errorf("exit %d, want 2", r.Code)
	}
	if lines := regexp.MustCompile(`adjustments\.csv:(\d+)`).FindAllStringSubmatch(r.Err, -1); len(lines) != 2 || lines[0][1] != "100001" || lines[1][1] != "100003" {
		t.Errorf("faults at %v, want lines 100001 and 100003: %s", lines, r.Err)
	}
	if !strings.Contains(r.Err, "2 faults") || !strings.Contains(r.Err, "nothing was sent") {
		t.Errorf("it does not say how many faults, or that nothing was sent: %s", r.Err)
	}
}

// changedRow imports a folder again with one row changed: the row's command id is known with another message, which is refused and named; the rest
// stands. It catches an id that is taken from the row's content, so that a changed row would be doubled.
func changedRow(t *testing.T, up *planttest.One, tr *trade) {
	before := tr.ask(t, "balance")
	files := changed(t, goodFolder("g-"), change{"shipments.csv", "100.000", "101.000"})
	r := command(t, "--data", up.Dir, "--format", "json", "import", planttest.WriteFiles(t, files))
	if r.Code != exitRefused || !strings.Contains(r.Err, "shipments.csv:2") || !strings.Contains(r.Err, "command_id_reused") {
		t.Errorf("exit %d, want 2 and the row named as command_id_reused: %s", r.Code, r.Err)
	}
	var o importObject
	planttest.Decode(t, r.Out, &o)
	if o.Sent != 0 || o.Refused != 1 {
		t.Errorf("%d sent, %d refused; want none and the one", o.Sent, o.Refused)
	}
	if after := tr.ask(t, "balance"); after != before {
		t.Errorf("the plant has changed:\n%s\nwas:\n%s", after, before)
	}
}
