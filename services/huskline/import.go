package main

import (
	"fmt"
	"math"
	"os"
	"strconv"
	"time"

	"huskline/internal/fault"
	"huskline/services/huskline/internal/seasonfile"
	"huskline/services/huskline/internal/seasonimport"
)

type importCmd struct {
	Dir    string `arg:"" help:"Season folder." type:"existingdir"`
	Faults int    `help:"How many faults are listed; their count is exact all the same." default:"200"`
}

// Run judges the whole folder first and sends nothing where it has a fault; then sends it, and may be stopped and run again.
func (c *importCmd) Run(s *session) error {
	season, faults, err := seasonfile.Read(s.ctx, os.DirFS(c.Dir), seasonfile.Options{MaxListed: c.Faults, Now: s.now})
	if err != nil {
		return fmt.Errorf("read season folder %s: %w", c.Dir, err)
	}
	if faults.Any() {
		for _, f := range faults.Listed {
			fmt.Fprintln(s.errout, f)
		}
		return fault.Invalid("season_faults", "season folder %s: %d faults, %d listed; nothing was sent", c.Dir, faults.Count, len(faults.Listed))
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	report, err := seasonimport.Run(s.ctx, seasonimport.Config{
		Folder: os.DirFS(c.Dir), Season: season, Doors: p.doors(), Now: s.now, Progress: s.progress(),
	})
	return s.reportImport(c.Dir, report, err)
}

func (p *plant) doors() seasonimport.Doors {
	return seasonimport.Doors{Intake: p.intake, Inventory: p.inventory, Production: p.production}
}

// progressEvery keeps the terminal readable.
const progressEvery = 500 * time.Millisecond

// progress tells on standard error how far an import is, where a person looks on.
func (s *session) progress() func(seasonimport.Progress) {
	if !s.watched() {
		return nil
	}
	var last time.Time
	return func(p seasonimport.Progress) {
		if now := s.now(); now.Sub(last) >= progressEvery {
			last = now
			fmt.Fprintf(s.errout, "\rrows %d of %d, weighings %d of %d, refused %d ", p.Rows, p.TotalRows, p.Weighings, p.TotalWeighings, p.Refused)
		}
	}
}

// importObject is an import as programs read it.
type importObject struct {
	Rows          int      `json:"rows"`
	Sent          int      `json:"sent"`
	Repeated      int      `json:"repeated"`
	Refused       int      `json:"refused"`
	NotSent       int      `json:"not_sent"`
	NotReached    int      `json:"not_reached"`
	RowsPerSecond float64  `json:"rows_per_second"`
	Weighings     int64    `json:"weighings"`
	Stored        int64    `json:"weighings_stored"`
	Seen          int64    `json:"weighings_repeated"`
	WeighRefused  int64    `json:"weighings_refused"`
	Conflicts     int64    `json:"weighings_in_conflict"`
	Refusals      []string `json:"refusals"`
}

// reportImport prints how it went; what a rule refused is exit 2.
func (s *session) reportImport(dir string, r *seasonimport.Report, err error) error {
	if r == nil {
		return err
	}
	if s.watched() {
		fmt.Fprintln(s.errout)
	}
	o := importObject{
		Rows: r.Total, Sent: r.Sent, Repeated: r.Repeated, Refused: r.Refused, NotSent: r.NotSent, NotReached: r.Total - r.Done(), RowsPerSecond: math.Round(r.RowsPerSecond()),
		Weighings: r.Weighings.Total, Stored: r.Weighings.Stored, Seen: r.Weighings.Repeated, WeighRefused: r.Weighings.Refused, Conflicts: r.Weighings.Conflicts,
		Refusals: []string{},
	}
	for _, refusal := range r.Refusals {
		text := refusal.String()
		if refusal.Reason == "command_id_reused" {
			text += "; this row was recorded already with other content, and a recorded fact is put right by a later one (CorrectDelivery, CorrectRun), not by sending it again"
		}
		o.Refusals = append(o.Refusals, text)
		fmt.Fprintln(s.errout, text)
	}
	sh := sheet{
		title:   "IMPORT of " + dir,
		columns: []string{"kind", "lines", "accepted now", "known before", "refused", "not sent", "not reached", "in conflict"},
		numeric: numericColumns("lines", "accepted now", "known before", "refused", "not sent", "not reached", "in conflict"),
		rows: [][]string{
			{"rows", itoa(r.Total), itoa(r.Sent), itoa(r.Repeated), itoa(r.Refused), itoa(r.NotSent), itoa(r.Total - r.Done()), ""},
			{"weighings", itoa(r.Weighings.Total), itoa(r.Weighings.Stored), itoa(r.Weighings.Repeated), itoa(r.Weighings.Refused), "", itoa(r.Weighings.Total - r.Weighings.Done()), itoa(r.Weighings.Conflicts)},
		},
		note: fmt.Sprintf("%.1f s, %.0f rows a second (weighings apart)", r.Elapsed.Seconds(), r.RowsPerSecond()),
	}
	if printErr := s.print(answer{object: o, sheets: []sheet{sh}}); printErr != nil {
		return printErr
	}
	if err != nil {
		return fmt.Errorf("import stopped before its end, run it again to go on: %w", err)
	}
	if r.AnyRefused() {
		return fault.Precondition("import_refused", "season folder %s: %d rows refused, %d not sent because they rest on them; %d weighings refused, %d in conflict",
			dir, r.Refused, r.NotSent, r.Weighings.Refused, r.Weighings.Conflicts)
	}
	return nil
}

func itoa[T int | int64](n T) string { return strconv.FormatInt(int64(n), 10) }

// watched tells whether standard error is a terminal.
func (s *session) watched() bool {
	file, ok := s.errout.(*os.File)
	if !ok {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}
