package main

import (
	"fmt"
	"math"
	"os"
	"slices"
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
		return fault.Invalid("season_faults", "season folder %s: %s, %d listed; nothing was sent", c.Dir, faultCount(faults.Count), len(faults.Listed))
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	report, err := seasonimport.Run(s.ctx, seasonimport.Config{
		Folder: os.DirFS(c.Dir), Season: season, Doors: p.doors(), Now: s.now, Progress: s.progress(),
	})
	return s.reportImport(c, report, err)
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
			fmt.Fprintf(s.errout, "\rrows tried %d, done %d of %d, weighings %d of %d, refused %d ", p.Tried, p.Rows, p.TotalRows, p.Weighings, p.TotalWeighings, p.Refused)
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
	Withheld      bool     `json:"withheld"` // refused before the first row was sent: nothing was
	Unsent        []string `json:"unsent"`   // what was not sent, because something was refused
}

// reportImport prints how it went; what a rule refused is exit 2.
func (s *session) reportImport(c *importCmd, r *seasonimport.Report, err error) error {
	if r == nil {
		return err
	}
	if s.watched() {
		fmt.Fprintln(s.errout)
	}
	o := importObject{
		Rows: r.Total, Sent: r.Sent, Repeated: r.Repeated, Refused: r.Refused, NotSent: r.NotSent, NotReached: r.Total - r.Done(), RowsPerSecond: math.Round(r.RowsPerSecond()),
		Weighings: r.Weighings.Total, Stored: r.Weighings.Stored, Seen: r.Weighings.Repeated, WeighRefused: r.Weighings.Refused, Conflicts: r.Weighings.Conflicts,
		Refusals: []string{}, Withheld: r.Withheld, Unsent: []string{},
	}
	for _, refusal := range r.Refusals {
		o.Refusals = append(o.Refusals, refusalText(refusal))
	}
	for _, u := range r.Unsent {
		o.Unsent = append(o.Unsent, u.String())
	}
	s.list(o.Refusals, "", c.Faults)
	if slices.ContainsFunc(r.Refusals, func(x seasonimport.Refusal) bool { return x.Reason == "command_id_reused" }) {
		fmt.Fprintln(s.errout, "recorded already: by an earlier form of this folder, or by another season with the same codes. What is recorded is put right by a later fact "+
			"(CorrectDelivery, CorrectRun), not by sending it again; another season needs codes of its own.")
	}
	if !r.Withheld {
		s.list(o.Unsent, "not sent: ", c.Faults)
	}
	sh := sheet{
		title:   "IMPORT of " + c.Dir,
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
	return ended(c.Dir, r, err)
}

// refusalText is a refusal as people read it.
func refusalText(r seasonimport.Refusal) string {
	if r.Reason == "command_id_reused" {
		r.Message = "recorded already with other content"
	}
	return r.String()
}

// list prints lines to standard error, up to a limit, and how many more there are.
func (s *session) list(lines []string, lead string, limit int) {
	for n, line := range lines {
		if n == limit {
			fmt.Fprintf(s.errout, "%s… and %d more (--faults N lists more, --format json all)\n", lead, len(lines)-n)
			return
		}
		fmt.Fprintln(s.errout, lead+line)
	}
}

// ended is how an import ended, where it did not reach its end or a rule refused something.
func ended(dir string, r *seasonimport.Report, err error) error {
	switch {
	case err != nil:
		return fmt.Errorf("import stopped before its end, run it again to go on: %w", err)
	case r.Withheld:
		return fault.Precondition("import_refused", "season folder %s: %s against what the plant has recorded; nothing was sent", dir, faultCount(len(r.Refusals)))
	case r.Refused > 0:
		return fault.Precondition("import_refused", "season folder %s: %d rows refused, which stopped the import: %d rows were sent, %d were known before, %d rows and "+
			"%d weighings were not sent; once that is put right, run it again to go on", dir, r.Refused, r.Sent, r.Repeated, r.NotSent, r.Weighings.Total)
	case r.AnyRefused():
		return fault.Precondition("import_refused", "season folder %s: all rows are recorded; %d weighings refused, %d in conflict", dir, r.Weighings.Refused, r.Weighings.Conflicts)
	}
	return nil
}

func faultCount(n int) string {
	if n == 1 {
		return "1 fault"
	}
	return itoa(n) + " faults"
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
