package checker

import (
	"context"
	"strings"

	"huskline/internal/snapshot"
	"huskline/internal/verify"
)

// linkTables are those that hold the chain and what the others keep as its witnesses.
func linkTable(subject string) bool {
	for _, t := range []string{" events(", " head", " epochs_ended(", " inbox_events(", " cursors(", " witnesses("} {
		if strings.Contains(subject, t) {
			return true
		}
	}
	return false
}

// judged is the judgement of every stored row, made once.
func (s *state) judged() *verify.Report {
	if s.stored == nil {
		var dbs []*snapshot.Database
		for _, name := range services() {
			dbs = append(dbs, s.dbs[name])
		}
		s.stored = verify.Rows(dbs)
	}
	return s.stored
}

// fromRows brings in the differences of rows in the chain, or of all others.
func (s *state) fromRows(f *Finding, chain bool) {
	for _, d := range s.judged().Differences {
		if linkTable(d.Subject) != chain {
			continue
		}
		service, row, _ := strings.Cut(d.Subject, " ")
		f.broken(service, row, "want %s, got %s", d.Want, d.Got)
	}
	for _, c := range s.judged().Compared {
		f.Checked = int(c.N)
	}
}

// foldOfLog holds derived rows against what they are derived from, rows with seals against them, and stock and holds against the facts.
func foldOfLog(_ context.Context, s *state, f *Finding) {
	s.fromRows(f, false)
	for _, d := range s.folded().Differences {
		service, row, _ := strings.Cut(d.Subject, " ")
		f.broken(service, row, "want %s, got %s", d.Want, d.Got)
	}
	if n := s.judged().NotJudged; len(n) > 0 {
		f.partly("not judged: %s", strings.Join(n, "; "))
	}
	sortViolations(f)
}

// chainVerifies is the other part of the judgement of rows.
func chainVerifies(_ context.Context, s *state, f *Finding) {
	s.fromRows(f, true)
	sortViolations(f)
}

// mostUnderWay is more work under way at one service than its waiting callers (512) and sweeper (100 at a time) can make.
const mostUnderWay = 1_000

// withinLimits counts what waits. At rest nothing may.
func withinLimits(_ context.Context, s *state, f *Finding) {
	f.partly("memory and disk are not seen in the databases")
	most := map[string]int{"open_intents": mostUnderWay, "quarantine": mostUnderWay, "owed_events": mostUnderWay}
	for _, name := range services() {
		for table, limit := range most {
			n := 0
			for _, r := range s.table(name, table) {
				if table != "quarantine" || r.Null("release") {
					n++
				}
			}
			f.Checked++
			if n > limit {
				f.broken(name, table, "%d rows wait, at most %d may", n, limit)
			}
		}
	}
	tries := map[string]bool{}
	for _, name := range services() {
		for _, r := range s.table(name, "intent_tries") {
			tries[name+r.Text("command_id")+"/"+r.Text("try")] = true
		}
		ended := map[string]bool{}
		for _, r := range s.table(name, "intent_ends") {
			ended[r.Text("command_id")+"/"+r.Text("try")] = true
		}
		for _, r := range s.table(name, "open_intents") {
			k := r.Text("command_id") + "/" + r.Text("try")
			if !tries[name+k] || ended[k] {
				f.broken(name, r.ID(), "it waits, and its try is not there or has ended")
			}
		}
	}
	sortViolations(f)
}

// folded is what each database derives, recomputed from the events that lie in it.
func (s *state) folded() *verify.Report {
	if s.fold == nil {
		var dbs []*snapshot.Database
		for _, name := range services() {
			dbs = append(dbs, s.dbs[name])
		}
		s.fold = verify.Fold(dbs)
	}
	return s.fold
}
