package seasonimport

import (
	"context"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/services/huskline/internal/seasonfile"
)

// edges is what each step of a plan waits for: "step < others", and "step after others" for what is order alone.
func edges(p *plan) []string {
	names := func(steps []*step) string {
		list := make([]string, len(steps))
		for i, s := range steps {
			list[i] = s.what
		}
		slices.Sort(list)
		return strings.Join(list, ", ")
	}
	var got []string
	for _, s := range p.steps {
		if len(s.rests) > 0 {
			got = append(got, s.what+" < "+names(s.rests))
		}
		if len(s.after) > 0 {
			got = append(got, s.what+" after "+names(s.after))
		}
	}
	slices.Sort(got)
	return got
}

// tiny is a season in which every kind of edge stands once. Rows come before what they rest on, as they may.
func tiny() fstest.MapFS {
	const nothing = ",,,,,,"
	files := map[string]string{
		seasonfile.PartiesFile: "party,name,role\nG1,Grower 1,seller\nC1,Customer 1,customer\n",
		seasonfile.ItemsFile:   "item,name,kind,split_off_price_per_lb,unit_lb,allergens\nIN,in-shell,in_shell,,,\nKA,halves,kernel,5.00,,tree nut\nSU,sugar,ingredient,,,\n",
		seasonfile.DeliveriesFile: "lot,time,seller,ownership,item,variety,crop_year,gross_lb,tare_lb,moisture_pct,foreign_pct,sample_g,sample_kernel_g,sample_reject_g,nuts_per_lb,price_per_lb,freight\n" +
			"D-1,2024-10-01T08:00:00Z,G1,company,IN,,," + "100,0" + nothing + ",2.00,\nD-2,2024-10-01T08:00:00Z,G1,company,IN,,," + "100,0" + nothing + ",2.00,\n",
		seasonfile.ReceiptsFile: "lot,time,supplier,item,weight_lb,cost\nI-1,2024-10-01T08:00:00Z,G1,SU,10,5\n",
		seasonfile.PoursFile: "pour,time,bin_lot,lot,weight_lb\nP-3,2024-10-02T08:02:00Z,B-2,B-1,20\nP-2,2024-10-02T08:01:00Z,B-1,D-2,50\n" +
			"P-1,2024-10-02T08:00:00Z,B-1,D-1,50\n",
		seasonfile.RunsFile: "run,stage,line,start,end,labor_hours,labor_rate,machine_hours,machine_rate,other_cost,recipe\n" +
			"R-2,pack,,2024-10-04T08:00:00Z,2024-10-04T09:00:00Z,0,0,0,0,0,\nR-1,shell,,2024-10-03T08:00:00Z,2024-10-03T09:00:00Z,1,2,3,0,4,\n",
		seasonfile.RunInputsFile:   "run,lot,weight_lb\nR-2,N-1,1\nR-1,B-1,60\nR-1,I-1,9\n",
		seasonfile.RunOutputsFile:  "run,lot,item,weight_lb,role\nR-2,N-2,KA,1,main\nR-1,N-1,KA,30,main\n",
		seasonfile.AdjustmentsFile: "adjustment,time,lot,delta_lb,reason\nA-1,2024-10-05T08:00:00Z,N-1,-1,damage\nA-2,2024-10-03T10:00:00Z,N-1,2,moisture\n",
		seasonfile.ShipmentsFile: "shipment,time,customer,lot,weight_lb,channel,freight_out\nX-1,2024-10-06T08:00:00Z,C1,N-2,1,bulk,1\nX-2,2024-10-06T08:00:00Z,C1,N-1,2,bulk,2\n" +
			"X-2,2024-10-06T08:00:00Z,C1,D-2,2,bulk,3\nX-3,2024-10-08T08:00:00Z,C1,V-1,1,bulk,\n",
		seasonfile.ReturnsFile:     "return,time,shipment,lot,weight_lb\nT-1,2024-10-07T08:00:00Z,X-1,V-1,1\nT-2,2024-10-09T08:00:00Z,X-3,V-2,1\n",
		seasonfile.FinalPricesFile: "lot,time,final_price_per_lb\nD-1,2024-11-02T08:00:00Z,2.2\nD-1,2024-11-01T08:00:00Z,2.1\n",
		seasonfile.WeighingsFile:   "scale,seq,time,reading,unit,kind,reference\n",
	}
	folder := fstest.MapFS{}
	for name, text := range files {
		folder[name] = &fstest.MapFile{Data: []byte(text)}
	}
	return folder
}

func TestPlanOfATinySeason(t *testing.T) {
	t.Parallel()
	season, faults, err := seasonfile.Read(context.Background(), tiny(), seasonfile.Options{})
	require.NoError(t, err)
	require.NoError(t, faults.Err())
	want := []string{
		"adjustment A-1 < adjustment A-2, run R-1",
		"adjustment A-2 < run R-1",
		"delivery D-1 < item IN, party G1",
		"delivery D-2 < item IN, party G1",
		"final price of D-1 < delivery D-1",
		"final price of D-1 < delivery D-1",
		"final price of D-1 after final price of D-1",
		"pour P-1 < delivery D-1",
		"pour P-2 < delivery D-2",
		"pour P-2 after pour P-1",
		"pour P-3 < pour P-1, pour P-2",
		"receipt I-1 < item SU, party G1",
		"return T-1 < shipment X-1",
		"return T-2 < shipment X-3",
		"run R-1 < item KA, pour P-1, pour P-2, receipt I-1",
		"run R-2 < adjustment A-2, item KA, run R-1, stage pack",
		"shipment X-1 < party C1, run R-2",
		"shipment X-2 < adjustment A-2, delivery D-2, party C1, run R-1",
		"shipment X-3 < party C1, return T-1",
	}
	if diff := cmp.Diff(want, edges(newPlan(season, Doors{}, []string{"pack"}))); diff != "" {
		t.Errorf("edges (-want +got):\n%s", diff)
	}
}

func TestClaimsNameEveryLotOnce(t *testing.T) {
	t.Parallel()
	season, _, err := seasonfile.Read(context.Background(), os.DirFS("../../../../testdata/season-2"), seasonfile.Options{})
	require.NoError(t, err)
	seen := map[string]bool{}
	for _, c := range newPlan(season, Doors{}, nil).claims() {
		if seen[string(c.lot)] || seen[c.claimant] {
			t.Errorf("lot %s or its claimant is claimed twice", c.lot)
		}
		seen[string(c.lot)], seen[c.claimant] = true, true
	}
	if len(seen) != 2*605 { // `lots` of expected.json
		t.Errorf("%d lots claimed, want 605", len(seen)/2)
	}
}
