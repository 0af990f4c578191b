package seasonimport

import (
	"context"
	"errors"
	"os"
	"slices"
	"strings"
	"testing"
	"testing/fstest"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"

	"huskline/services/huskline/internal/seasonfile"
)

// config reads a shared season and makes an import of it into a plant.
func config(t *testing.T, p *plant, name string) Config {
	t.Helper()
	folder := os.DirFS("../../../../testdata/" + name)
	season, faults, err := seasonfile.Read(context.Background(), folder, seasonfile.Options{})
	require.NoError(t, err)
	require.NoError(t, faults.Err())
	for _, po := range season.Pours {
		p.binPours[string(po.Bin)]++
	}
	return Config{Folder: folder, Season: season, Doors: p.doors(t), Now: time.Now}
}

// A plan that lacks an edge (a run that does not wait for its inputs, a draw that does not wait for all pours of its bin, a return before its
// shipment) fails here: the fake notes whatever came too early.
func TestEverythingComesAfterWhatItRestsOn(t *testing.T) {
	t.Parallel()
	for _, name := range []string{"season", "season-2"} {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			p := newPlant()
			cfg := config(t, p, name)
			var last Progress
			cfg.Progress = func(at Progress) {
				if at.Rows < last.Rows || at.Weighings < last.Weighings {
					t.Errorf("progress went back from %+v to %+v", last, at)
				}
				last = at
			}
			r, err := Run(context.Background(), cfg)
			require.NoError(t, err)
			if p.faults != nil {
				t.Errorf("faults of the plan: %s", strings.Join(p.faults, "\n"))
			}
			rows, lines := cfg.Season.Rows(), cfg.Season.Weighings
			if r.Sent != rows || r.Done() != rows || r.AnyRefused() || r.Weighings.Stored != lines || p.lines != lines {
				t.Errorf("report = %+v, fake has %d lines, want all of %d rows and %d lines sent", r, p.lines, rows, lines)
			}
			if want := (Progress{Rows: rows, TotalRows: rows, Weighings: lines, TotalWeighings: lines}); last != want {
				t.Errorf("last progress = %+v, want %+v", last, want)
			}
			if p.most < 2 || p.most > defaultInFlight {
				t.Errorf("%d commands at a time, want 2 to %d", p.most, defaultInFlight)
			}
			if slices.Contains(slices.Collect(valuesOf(p.readings)), false) {
				t.Error("a reading came without being marked historic")
			}
			cfg.Progress = nil
			positions := p.positions["intake"] + p.positions["inventory"] + p.positions["production"]
			again, err := Run(context.Background(), cfg)
			require.NoError(t, err)
			if again.Repeated != rows || again.Sent != 0 || again.Weighings.Repeated != lines || again.Weighings.Stored != 0 {
				t.Errorf("second import = %+v, want all of it repeated", again)
			}
			if now := p.positions["intake"] + p.positions["inventory"] + p.positions["production"]; now != positions || p.lines != lines {
				t.Errorf("second import recorded %d facts and %d lines, want none", now-positions, p.lines-lines)
			}
		})
	}
}

func valuesOf(m map[string]bool) func(func(bool) bool) {
	return func(yield func(bool) bool) {
		for _, v := range m {
			if !yield(v) {
				return
			}
		}
	}
}

// A refused row stops what rests on it and nothing else.
func TestRefusedRowStopsWhatRestsOnItAlone(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	p.refuse[commandID(seasonfile.RunsFile, "R-00084")] = true
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if p.faults != nil {
		t.Errorf("faults of the plan: %v", p.faults)
	}
	var made []string
	for i := range cfg.Season.Runs {
		if run := &cfg.Season.Runs[i]; run.ID == "R-00084" {
			for _, o := range run.Outputs {
				made = append(made, string(o.Lot))
			}
		}
	}
	var want []string // of the season's files: the run itself, and what draws from the lots that it would have made
	want = append(want, "run R-00084")
	for _, a := range cfg.Season.Adjustments {
		if slices.Contains(made, string(a.Lot)) {
			want = append(want, "adjustment "+a.ID)
		}
	}
	for _, s := range cfg.Season.Shipments {
		if slices.Contains(made, string(s.Lot)) {
			want = append(want, "shipment "+s.ID)
		}
	}
	var got []string
	for _, x := range r.Refusals {
		got = append(got, x.What)
		if x.File == "" || x.Line == 0 || x.Message == "" || x.NotSent == (x.What == "run R-00084") {
			t.Errorf("refusal %+v: place, message or kind is wrong", x)
		}
	}
	slices.Sort(want)
	slices.Sort(got)
	if diff := cmp.Diff(want, got); diff != "" || len(want) < 2 {
		t.Errorf("refusals (-want +got):\n%s", diff)
	}
	if r.Done() != r.Total || r.Refused == 0 || r.NotSent == 0 {
		t.Errorf("report = %+v, want all rows dealt with, some refused and some not sent", r)
	}
}

func TestCodeTakenByAnotherIsRefusedAlone(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	p.claims["I-00003"] = "somebody else"
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if len(r.Refusals) == 0 || !slices.ContainsFunc(r.Refusals, func(x Refusal) bool {
		return x.What == "receipt I-00003" && x.File == seasonfile.ReceiptsFile && !x.NotSent
	}) {
		t.Errorf("refusals = %v, want the receipt of I-00003", r.Refusals)
	}
	if r.Refused != 1 || r.Sent+r.NotSent+1 != r.Total {
		t.Errorf("report = %+v, want one row refused and all dealt with", r)
	}
}

func TestChangedRowIsAConflict(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	_, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	cfg.Season.Shipments[3].Weight++
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if len(r.Refusals) != 1 || r.Refusals[0].Where != cfg.Season.Shipments[3].At() || r.Repeated != r.Total-1 {
		t.Errorf("report = %+v, want the changed row refused and all else repeated", r)
	}
}

// Every command is unavailable at its first try. An importer that makes a new id for the second try, or gives up, fails here.
func TestUnavailableIsRepeatedWithTheSameID(t *testing.T) {
	t.Parallel()
	p := newPlant()
	p.flaky = true
	cfg := config(t, p, "season-2")
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if p.faults != nil || r.Sent != cfg.Season.Rows() || p.lines != cfg.Season.Weighings {
		t.Errorf("report = %+v, %d lines, faults %v, want all sent once", r, p.lines, p.faults)
	}
	for id := range p.tried {
		if _, kept := p.commands[id]; !kept {
			t.Fatalf("command %s was tried once and not again", id)
		}
	}
}

func TestInterruptedImportGoesOn(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season-2")
	ctx, cancel := context.WithCancel(context.Background())
	defer cancel()
	count := 0
	p.answered = func() {
		if count++; count == 200 {
			cancel()
		}
	}
	first, err := Run(ctx, cfg)
	if !errors.Is(err, context.Canceled) {
		t.Fatalf("Run after the interrupt = %v, want context.Canceled", err)
	}
	if first.Done() >= first.Total || first.AnyRefused() {
		t.Errorf("report of the interrupted import = %+v, want a part of the rows and no refusal", first)
	}
	p.mu.Lock() // commands that were under way may still come to their end
	p.answered = nil
	p.mu.Unlock()
	second, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if second.Done() != second.Total || second.AnyRefused() || second.Repeated < first.Sent || p.lines != cfg.Season.Weighings {
		t.Errorf("report of the second import = %+v after %+v, %d lines, want all done and nothing twice", second, first, p.lines)
	}
}

func TestIDsStayForGood(t *testing.T) {
	t.Parallel()
	// Worked out with Python's uuid.uuid5 from the namespace and "runs.csv\nR-00001": with another value old seasons would be imported twice.
	const want = "854c9bf5-e7a0-5102-a391-2bb39757d87e"
	if got := commandID(seasonfile.RunsFile, "R-00001"); got != want {
		t.Errorf("commandID = %s, want %s", got, want)
	}
}

func TestWeighingsThatChangedStopTheImport(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	cfg.Folder = fstest.MapFS{seasonfile.WeighingsFile: {Data: []byte("scale,seq,time,reading,unit,kind,reference\nT-1,one,,,,,\n")}}
	if _, err := Run(context.Background(), cfg); err == nil || !strings.Contains(err.Error(), "weighings.csv:2") {
		t.Errorf("error = %v, want one that names weighings.csv:2", err)
	}
}
