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

	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"

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

// What a plant that has another season already refuses withholds the whole folder: a rule, an id recorded with other content, a code that somebody else
// has. All of it is told. The deliberate breaks it catches: weighings that are sent beside refused rows, claims that stay, a search that ends at the first.
func TestRefusedAtTheTrialNothingIsSent(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	p.used, p.positions["intake"] = true, 7
	p.claims["I-00003"], p.claims["D-00007"] = "somebody else", "somebody else"
	recorded := commandID(seasonfile.ShipmentsFile, "X-000003")
	p.commands[recorded] = accepted{&inventoryv1.ShipGoodsRequest{CommandId: recorded}, &eventv1.Receipt{Producer: "inventory", Epoch: 1, Position: 1}}
	p.refuse[commandID(seasonfile.PartiesFile, string(cfg.Season.Parties[2].ID))] = true
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	var got []string
	for _, x := range r.Refusals {
		got = append(got, x.What)
		if x.File == "" || x.Line == 0 || x.Message == "" {
			t.Errorf("refusal %+v: place or message is missing", x)
		}
	}
	want := []string{"delivery D-00007", "party " + string(cfg.Season.Parties[2].ID), "receipt I-00003", "shipment X-000003"}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Errorf("refusals (-want +got):\n%s", diff)
	}
	if !r.Withheld || r.Sent != 0 || r.Refused+r.NotSent != r.Total || len(p.commands) != 1 || len(p.claims) != 2 || p.lines != 0 {
		t.Errorf("report = %+v; the plant has %d commands, %d claims, %d lines, want what it had before", r, len(p.commands), len(p.claims), p.lines)
	}
}

// What is refused only when it comes stops the rest: nothing that rests on it is sent, what was sent and what was not is told, and once the plant takes it
// the same folder goes on. The deliberate breaks it catches: sending on beside the refusal, weighings included; a row that is told neither way.
func TestRefusalInTheMiddleStopsTheRest(t *testing.T) {
	t.Parallel()
	p := newPlant()
	cfg := config(t, p, "season")
	p.late = true
	p.refuse[commandID(seasonfile.RunsFile, "R-00084")] = true
	r, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if len(r.Refusals) != 1 || r.Refusals[0].What != "run R-00084" || r.Withheld {
		t.Errorf("refusals = %+v, want that of run R-00084 alone", r.Refusals)
	}
	if r.Sent+r.Refused+r.NotSent != r.Total || r.NotSent == 0 || len(r.Unsent) == 0 || p.lines != 0 {
		t.Errorf("report = %+v, %d lines; want every row told as sent, refused or not sent, and no weighing", r, p.lines)
	}
	p.refuse = map[string]bool{}
	again, err := Run(context.Background(), cfg)
	require.NoError(t, err)
	if again.AnyRefused() || again.Repeated != r.Sent || again.Repeated+again.Sent != again.Total || p.lines != cfg.Season.Weighings || p.faults != nil {
		t.Errorf("report = %+v after %+v, faults %v; want the rest sent", again, r, p.faults)
	}
	if p.trials == 0 {
		t.Error("the second import tried nothing")
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
