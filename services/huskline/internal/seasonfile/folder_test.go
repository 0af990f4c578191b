package seasonfile

import (
	"context"
	"os"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
)

// small is a folder that uses every file; the broken folders of the tests are this one with one thing changed.
func small() map[string]string {
	return map[string]string{
		PartiesFile: "party,name,role,phone\nG1,Grower 1,seller,\nK1,Client 1,custom_client,\nK2,Client 2,custom_client,\nC1,Customer 1,customer,\nS1,Supplier 1,supplier,\n",
		ItemsFile: "item,name,kind,split_off_price_per_lb,unit_lb,allergens\nIN,\"in-shell, improved\",in_shell,,,tree nut\nKA,halves,kernel,5.00,,tree nut\n" +
			"KB,pieces,kernel,4.00,,tree nut\nKN,granules,kernel,,,tree nut\nSH,shells,byproduct,0.03,,\nSU,sugar,ingredient,,,\nCF,praline,finished,,0.300,milk;tree nut\n",
		DeliveriesFile: "lot,time,seller,ownership,item,variety,crop_year,gross_lb,tare_lb,moisture_pct,foreign_pct,sample_g,sample_kernel_g,sample_reject_g,nuts_per_lb,price_per_lb,freight\n" +
			"D-1,2024-10-01T08:00:00Z,G1,company,IN,Pawnee,2024,1100.000,100.000,5.3,1.1,1000,583,20,78,2.2234,5.44\n" +
			"D-2,2024-10-01T09:00:00Z,G1,company,IN,Pawnee,2024,600.000,100.000,,,,,,,2.0000,0\n" +
			"D-3,2024-10-01T10:00:00Z,K1,custom,IN,Pawnee,2024,300.000,0.000,,,,,,,,\n" +
			"D-4,2024-10-01T11:00:00Z,K2,custom,IN,Pawnee,2024,200.000,0.000,,,,,,,,\n",
		ReceiptsFile:  "lot,time,supplier,item,weight_lb,cost,best_by\nI-1,2024-10-01T12:00:00Z,S1,SU,50.000,25.00,2025-06-30\n",
		PoursFile:     "pour,time,bin_lot,lot,weight_lb\nP-1,2024-10-02T08:00:00Z,B-1,D-1,400.000\nP-2,2024-10-02T08:05:00Z,B-1,D-2,500.000\n",
		RunsFile:      "run,stage,line,start,end,labor_hours,labor_rate,machine_hours,machine_rate,other_cost,recipe\n" + runRows,
		RunInputsFile: "run,lot,weight_lb,dumped_from\nR-1,B-1,900.000,\nR-2,D-3,300.000,\nR-3,N-1,100.000,2024-10-03T09:30:00Z\nR-3,I-1,50.000,\nR-4,N-2,60.000,\nR-4,N-3,40.000,\n",
		RunOutputsFile: "run,lot,item,weight_lb,role,filled_from,filled_to\nR-1,N-1,KA,400.000,main,,2024-10-02T11:00:00Z\nR-1,N-2,KB,100.000,main,,\nR-1,Y-1,SH,350.000,byproduct,,\n" +
			"R-2,N-4,KA,150.000,main,,\nR-3,F-1,CF,149.000,main,,\nR-4,N-5,KA,60.000,main,,\nR-4,N-6,KB,38.000,main,,\nR-5,N-3,KA,45.000,main,,\n",
		ContributionsFile: "run,input_lot,output_lot,weight_lb\nR-4,N-2,N-5,60.000\nR-4,N-3,N-5,0.000\nR-4,N-3,N-6,38.000\n",
		AdjustmentsFile:   "adjustment,time,lot,delta_lb,reason\nA-1,2024-10-04T08:00:00Z,N-1,-1.500,moisture\n",
		ShipmentsFile: "shipment,time,customer,lot,weight_lb,channel,price_per_lb\nX-1,2024-10-05T08:00:00Z,C1,N-1,100.000,bulk,6.10\nX-2,2024-10-05T09:00:00Z,K1,N-4,150.000,return to owner,\n" +
			"X-3,2024-10-05T10:00:00Z,C1,N-1,10.000,bulk,6.10\nX-3,2024-10-05T10:00:00Z,C1,F-1,20.000,bulk,9.00\n",
		ReturnsFile:     "return,time,shipment,lot,weight_lb\nT-1,2024-10-06T08:00:00Z,X-1,V-1,10.000\nT-2,2024-10-06T09:00:00Z,X-1,V-2,90.000\n",
		FinalPricesFile: "lot,time,final_price_per_lb\nD-1,2024-11-01T08:00:00Z,2.3000\nD-1,2024-11-02T08:00:00Z,2.4000\n",
		WeighingsFile:   "scale,seq,time,reading,unit,kind,reference\nT-1,1,2024-10-01T08:00:00Z,1100.000,LBR,gross,D-1\nT-1,1,2024-10-01T08:00:00Z,1100.000,LBR,gross,D-1\nT-1,2,2024-10-01T08:01:00-05:00,45.359237,kg,tare,\n",
	}
}

const runRows = "R-1,shell,line-1,2024-10-02T10:00:00Z,2024-10-02T12:00:00Z,10.5,18.00,2,30.00,12.34,\n" +
	"R-2,shell,line-1,2024-10-02T13:00:00Z,2024-10-02T14:00:00Z,1,18.00,0,0,0,\n" +
	"R-3,cook,line-2,2024-10-03T09:00:00Z,2024-10-03T10:00:00Z,1,18.00,0,0,0,CF\n" +
	"R-4,blend,line-2,2024-10-03T11:00:00Z,2024-10-03T12:00:00Z,1,18.00,0,0,0,\n" +
	"R-5,sort,line-2,2024-10-02T11:10:00Z,2024-10-02T11:30:00Z,1,18.00,0,0,0,\n"

// smallWith is small with the input of R-5 in place, which the file's layout above leaves to this function to keep lines short.
func smallWith(t *testing.T, edits ...edit) fstest.MapFS {
	t.Helper()
	files := small()
	files[RunInputsFile] += "R-5,N-1,50.000,\n"
	for _, e := range edits {
		if e.old == "" {
			files[e.file] = e.now
			continue
		}
		require.Contains(t, files[e.file], e.old, "the edit of %s finds nothing to change", e.file)
		files[e.file] = strings.Replace(files[e.file], e.old, e.now, 1)
	}
	folder := fstest.MapFS{}
	for name, text := range files {
		if text != absent {
			folder[name] = &fstest.MapFile{Data: []byte(text)}
		}
	}
	return folder
}

// edit puts now in place of old, or of the whole file where old is empty; absent takes the file away.
type edit struct{ file, old, now string }

const absent = "\x00absent"

// found is the faults as "file:line field rule", the form that the tables below write.
func found(t *testing.T, folder fstest.MapFS) []string {
	t.Helper()
	_, faults, err := Read(context.Background(), folder, Options{Now: func() time.Time { return time.Date(2025, 1, 1, 0, 0, 0, 0, time.UTC) }})
	require.NoError(t, err)
	var got []string
	for _, f := range faults.Listed {
		got = append(got, strings.Join(strings.Fields(f.Where.String()+" "+f.Field+" "+f.Rule), " "))
	}
	require.Equal(t, len(got), faults.Count)
	return got
}

func TestSmallFolderHasNoFault(t *testing.T) {
	t.Parallel()
	if diff := cmp.Diff([]string(nil), found(t, smallWith(t))); diff != "" {
		t.Errorf("faults of the sound folder (-want +got):\n%s", diff)
	}
}

func TestSharedSeasonsHaveNoFault(t *testing.T) {
	t.Parallel()
	for name, want := range map[string]struct {
		rows      int
		weighings int64
	}{"season": {1397, 3595}, "season-2": {1446, 3120}} { // rows and lines as `wc -l` counts them, header rows taken off
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			s, faults, err := Read(context.Background(), os.DirFS("../../../../testdata/"+name), Options{})
			require.NoError(t, err)
			if faults.Any() {
				t.Errorf("faults: %v", faults.Listed)
			}
			if s.Rows() != want.rows || s.Weighings != want.weighings {
				t.Errorf("rows = %d, weighings = %d, want %d, %d", s.Rows(), s.Weighings, want.rows, want.weighings)
			}
		})
	}
}

func TestColumnsInAnyOrderAndByteOrderMark(t *testing.T) {
	t.Parallel()
	got := found(t, smallWith(t,
		edit{file: AdjustmentsFile, now: "\xef\xbb\xbfreason,delta_lb,lot,time,adjustment\r\nmoisture,-1.5,N-1,2024-10-04T10:00:00+02:00,A-1\r\n"},
		edit{file: ReceiptsFile, now: "document,cost,lot,supplier,time,item,weight_lb\n\"say \"\"5\"\"\",25,I-1,S1,2024-10-01T12:00:00Z,SU,50\n"}))
	if got != nil {
		t.Errorf("faults = %v, want none", got)
	}
}

func TestOwnersAndItemsAreWorkedOut(t *testing.T) {
	t.Parallel()
	s, _, err := Read(context.Background(), smallWith(t), Options{})
	require.NoError(t, err)
	type thing struct{ owner, item string }
	got := map[string]thing{}
	for _, id := range []string{"D-3", "N-4", "B-1", "V-1", "F-1"} {
		for l, o := range s.Owner {
			if string(l) == id {
				got[id] = thing{string(o), string(s.ItemOf[l])}
			}
		}
	}
	want := map[string]thing{"D-3": {"K1", "IN"}, "N-4": {"K1", "KA"}, "B-1": {"", "IN"}, "V-1": {"", "KA"}, "F-1": {"", "CF"}}
	if diff := cmp.Diff(want, got, cmp.AllowUnexported(thing{})); diff != "" {
		t.Errorf("owner and item (-want +got):\n%s", diff)
	}
}

func TestAllFaultsAreCountedBeyondTheCap(t *testing.T) {
	t.Parallel()
	var b strings.Builder
	b.WriteString("adjustment,time,lot,delta_lb,reason\n")
	for range 1000 {
		b.WriteString("A-1,yesterday,N-1,0,evaporation\n")
	}
	_, faults, err := Read(context.Background(), smallWith(t, edit{file: AdjustmentsFile, now: b.String()}), Options{MaxListed: 7})
	require.NoError(t, err)
	if faults.Count != 3*1000+999 || len(faults.Listed) != 7 { // time, delta and reason of each row, and all but the first a duplicate
		t.Errorf("count = %d, listed = %d, want 3999 and 7", faults.Count, len(faults.Listed))
	}
	if faults.Err() == nil {
		t.Error("Err() = nil with faults")
	}
}

func TestInterruptStopsReading(t *testing.T) {
	t.Parallel()
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, _, err := Read(ctx, smallWith(t), Options{}); err == nil {
		t.Error("Read with a cancelled context = nil error")
	}
}
