package visit

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/weight"
	"huskline/services/intake/internal/scale"
)

func hour(n int) time.Time { return time.Date(2025, 11, 3, n, 0, 0, 0, time.UTC) }

// weighings are single drafts in pounds, an hour apart, all on one scale.
func weighings(pounds ...weight.Mass) State {
	s := State{ID: 7, Plate: "T1", Closed: &lot.VisitClosed{Visit: 7}}
	for i, p := range pounds {
		s.Weighings = append(s.Weighings, lot.VisitWeighed{
			Visit: 7, Number: int64(i) + 1, Draft: lot.SingleDraft, Indications: []lot.Indication{{Scale: "W1", Mass: p * weight.Pound, Time: hour(i)}},
		})
	}
	return s
}

// sides is a line by its weighings and its net in pounds.
type sides struct{ Line, Gross, Tare, Net int64 }

func TestLines(t *testing.T) {
	t.Parallel()
	stored := &lot.TareStored{Draft: lot.SingleDraft, Indications: []lot.Indication{{Mass: 26_000 * weight.Pound}}}
	for _, tc := range []struct {
		name   string
		visit  State
		change func(*State)
		want   []sides
	}{
		{"a single weighing", weighings(48_000), nil, nil},
		{"loaded, then empty", weighings(48_000, 26_000), nil, []sides{{1, 1, 2, 22_000}}},
		{"empty, then loaded", weighings(26_000, 48_000), nil, []sides{{1, 2, 1, 22_000}}},
		{"three lots dropped", weighings(60_000, 48_000, 40_000, 26_000), nil, []sides{{1, 1, 2, 12_000}, {2, 2, 3, 8_000}, {3, 3, 4, 14_000}}},
		{"unloaded and loaded again", weighings(48_000, 26_000, 50_000), nil, []sides{{1, 1, 2, 22_000}, {2, 3, 2, 24_000}}},
		{"the stored tare", weighings(48_000), func(s *State) { s.Tare = stored }, []sides{{1, 1, 0, 22_000}}},
		{"the stored tare is never gross", weighings(20_000), func(s *State) { s.Tare = stored }, []sides{{1, 1, 0, -6_000}}},
		{"the first weighed again", weighings(48_000, 26_000, 49_000), func(s *State) { s.Weighings[2].Supersedes = 1 }, []sides{{1, 3, 2, 23_000}}},
		{"the second weighed again, twice", weighings(48_000, 26_000, 25_000, 24_000), func(s *State) {
			s.Weighings[2].Supersedes, s.Weighings[3].Supersedes = 2, 3
		}, []sides{{1, 1, 4, 24_000}}},
		{"parts add up", weighings(20_000, 26_000), func(s *State) {
			s.Weighings[0].Indications = append(s.Weighings[0].Indications, lot.Indication{Scale: "W1", Mass: 28_000 * weight.Pound})
		}, []sides{{1, 1, 2, 22_000}}},
	} {
		if tc.change != nil {
			tc.change(&tc.visit)
		}
		lines, err := tc.visit.Lines()
		if err != nil {
			t.Errorf("%s: %v", tc.name, err)
		}
		var got []sides
		for _, l := range lines {
			got = append(got, sides{l.Number, l.Gross.Weighing, l.Tare.Weighing, int64(l.Net / weight.Pound)})
		}
		if diff := cmp.Diff(tc.want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", tc.name, diff)
		}
	}
}

func TestMarksOfLines(t *testing.T) {
	t.Parallel()
	type marks struct {
		Draft                             lot.Draft
		Other, Driver, StoredTare, ByHand bool
	}
	for _, tc := range []struct {
		name   string
		change func(*State)
		want   marks
	}{
		{"none", func(*State) {}, marks{Draft: lot.SingleDraft}},
		{"another scale", func(s *State) { s.Weighings[1].Indications[0].Scale = "W2" }, marks{Draft: lot.SingleDraft, Other: true}},
		{"driver off once", func(s *State) { s.Weighings[0].DriverOn = true }, marks{Draft: lot.SingleDraft, Driver: true}},
		{"tare by ends", func(s *State) { s.Weighings[1].Draft = lot.EndsDraft }, marks{Draft: lot.EndsDraft}},
		{"gross by ends", func(s *State) { s.Weighings[0].Draft = lot.EndsDraft }, marks{Draft: lot.EndsDraft}},
		{"keyed", func(s *State) { s.Weighings[1].Indications[0].Keyed = 4 }, marks{Draft: lot.SingleDraft, ByHand: true}},
		{"stored and keyed", func(s *State) {
			s.Weighings = s.Weighings[:1]
			s.Tare = &lot.TareStored{Keyed: true, Draft: lot.DecksDraft, Indications: []lot.Indication{{Mass: 26_000 * weight.Pound}}}
		}, marks{Draft: lot.SingleDraft, StoredTare: true, ByHand: true}},
	} {
		s := weighings(48_000, 26_000)
		tc.change(&s)
		lines, err := s.Lines()
		if err != nil || len(lines) != 1 {
			t.Fatalf("%s: %d lines, %v", tc.name, len(lines), err)
		}
		l := lines[0]
		if got := (marks{l.Draft, l.OtherScale, l.DriverDiffers, l.StoredTare, l.Keyed}); got != tc.want {
			t.Errorf("%s: %+v, want %+v", tc.name, got, tc.want)
		}
	}
}

func TestLineRules(t *testing.T) {
	t.Parallel()
	truck := scale.Scale{Code: "W1", Class: "III L", Division: 20 * weight.Pound}
	like, finer := truck, truck
	like.Code, finer.Code, finer.Division = "W2", "W3", 10*weight.Pound
	bench := scale.Scale{Code: "W4", Class: "III", Division: weight.Pound}
	kilos := scale.Scale{Code: "W5", Class: "III L", Division: 22_046_226} // 10 kg
	scales := map[string]scale.Scale{"W1": truck, "W2": like, "W3": finer, "W4": bench, "W5": kilos, "W6": {Code: "W6"}}
	for _, tc := range []struct {
		name        string
		gross, tare string
		net         weight.Mass
		want        string
	}{
		{"one scale", "W1", "W1", 22_000 * weight.Pound, ""},
		{"a like scale", "W1", "W2", 22_000 * weight.Pound, ""},
		{"another division", "W1", "W3", 22_000 * weight.Pound, "scale_not_suitable"},
		{"another class", "W1", "W4", 22_000 * weight.Pound, "scale_not_suitable"},
		{"a scale of which nothing is known", "W1", "W6", 22_000 * weight.Pound, "scale_not_suitable"},
		{"two such", "W6", "W6", weight.Pound, ""},
		{"a tare keyed in without a scale", "W1", "", 22_000 * weight.Pound, ""},
		// 50 divisions of 20 lb, the figure that NIST Handbook 44 gives for net loads on vehicle scales: 1,000 lb.
		{"the least net of a vehicle scale", "W1", "W1", 1_000 * weight.Pound, ""},
		{"below it", "W1", "W1", 980 * weight.Pound, "below_minimum"},
		{"the least of class III", "W4", "W4", 20 * weight.Pound, ""},
		{"below that", "W4", "W4", 19 * weight.Pound, "below_minimum"},
		// 500 kg are 1,102.311311 lb; fifty rounded divisions are 11 micropounds less.
		{"500 kg on 10 kg divisions", "W5", "W5", 1_102_311_311, ""},
		{"490 kg", "W5", "W5", 1_080_265_084, "below_minimum"},
		{"nothing", "W1", "W1", 0, "net_not_positive"},
		{"less than nothing", "W1", "", -weight.Pound, "tare_above_gross"},
	} {
		l := Line{Net: tc.net, OtherScale: tc.tare != "" && tc.gross != tc.tare}
		l.Gross.Indications, l.Tare.Indications = []lot.Indication{{Scale: tc.gross}}, []lot.Indication{{Scale: tc.tare}}
		if got := l.judge(scales); fault.ReasonOf(got) != tc.want || (got != nil) != (tc.want != "") {
			t.Errorf("%s: %v, want reason %q", tc.name, got, tc.want)
		}
	}
}

func TestTake(t *testing.T) {
	t.Parallel()
	three := func() State { return weighings(60_000, 48_000, 26_000) }
	for _, tc := range []struct {
		name   string
		change func(*State)
		line   int64
		of     lot.ID
		taken  int
		want   string
	}{
		{"all", func(*State) {}, 0, "", 2, ""},
		{"the second", func(*State) {}, 2, "", 1, ""},
		{"beyond", func(*State) {}, 3, "", 0, "visit_line_unknown"},
		{"open", func(s *State) { s.Closed = nil }, 0, "", 0, "visit_open"},
		{"left without a second weighing", func(s *State) { s.Weighings = s.Weighings[:1] }, 0, "", 0, "visit_without_line"},
		{"used", func(s *State) { s.Used = map[int64]lot.ID{2: "D-1"} }, 2, "", 0, "visit_used"},
		{"all, one used", func(s *State) { s.Used = map[int64]lot.ID{2: "D-1"} }, 0, "D-2", 0, "visit_used"},
		{"the other", func(s *State) { s.Used = map[int64]lot.ID{2: "D-1"} }, 1, "D-2", 1, ""},
		{"its own", func(s *State) { s.Used = map[int64]lot.ID{2: "D-1"} }, 0, "D-1", 2, ""},
	} {
		s := three()
		tc.change(&s)
		got, err := s.Take(tc.line, tc.of)
		if len(got) != tc.taken || fault.ReasonOf(err) != tc.want {
			t.Errorf("%s: %d lines, %v; want %d, reason %q", tc.name, len(got), err, tc.taken, tc.want)
		}
	}
}

func TestPlate(t *testing.T) {
	t.Parallel()
	for _, tc := range []struct{ in, want, reason string }{
		{"abc 12-34", "ABC1234", ""},
		{"AB", "AB", ""},
		{"A-", "", "plate_malformed"},
		{"", "", "plate_malformed"},
		{"ABC_1", "", "plate_malformed"},
		{"ÄB1", "", "plate_malformed"},
		{"A2345678901234567", "", "plate_malformed"},
	} {
		if got, err := Plate(tc.in); got != tc.want || fault.ReasonOf(err) != tc.reason {
			t.Errorf("%q: %q, %v; want %q, reason %q", tc.in, got, err, tc.want, tc.reason)
		}
	}
}

func TestAdmit(t *testing.T) {
	t.Parallel()
	next := lot.VisitWeighed{Number: 3, Indications: []lot.Indication{{Time: hour(5)}}}
	for _, tc := range []struct {
		name   string
		visit  func(*State)
		change func(*lot.VisitWeighed)
		want   string
	}{
		{"one more", func(s *State) { s.Closed = nil }, func(*lot.VisitWeighed) {}, ""},
		{"closed", func(*State) {}, func(*lot.VisitWeighed) {}, "visit_closed"},
		{"before the last", func(s *State) { s.Closed = nil }, func(w *lot.VisitWeighed) { w.Indications[0].Time = hour(0) }, "weighing_before_last"},
		{"in place of the first, also of a closed one", func(*State) {}, func(w *lot.VisitWeighed) { w.Supersedes = 1 }, ""},
		{"in place of none that there is", func(*State) {}, func(w *lot.VisitWeighed) { w.Supersedes = 9 }, "weighing_unknown"},
		{"in place of one that was superseded", func(s *State) { s.Weighings[1].Supersedes = 1 }, func(w *lot.VisitWeighed) { w.Supersedes = 1 }, "weighing_unknown"},
		{"used", func(s *State) { s.Used = map[int64]lot.ID{1: "D-1"} }, func(w *lot.VisitWeighed) { w.Supersedes = 1 }, "visit_used"},
		{"on a ticket", func(s *State) { s.Tickets = map[int64]Ticket{1: {"W", 4, true}} }, func(w *lot.VisitWeighed) { w.Supersedes = 1 }, "ticket_stands"},
		{"on a void one", func(s *State) { s.Tickets = map[int64]Ticket{1: {"W", 4, false}} }, func(w *lot.VisitWeighed) { w.Supersedes = 1 }, ""},
	} {
		s, w := weighings(48_000, 26_000), next
		w.Indications = []lot.Indication{next.Indications[0]}
		tc.visit(&s)
		tc.change(&w)
		if err := s.admit(w); fault.ReasonOf(err) != tc.want {
			t.Errorf("%s: %v, want reason %q", tc.name, err, tc.want)
		}
	}
}

// A figure of a source says where it was read, and every other says that it is ours.
func TestRulesTellTheirSources(t *testing.T) {
	t.Parallel()
	for _, r := range Rules() {
		if r.Stage != scale.AtVisit || r.Says == "" || (r.Basis == scale.Own) != (r.Source == "") || (r.Basis == scale.Memory) != (r.Edition == nothingRead) {
			t.Errorf("%s: %+v", r.Name, r)
		}
	}
}
