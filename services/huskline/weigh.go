package main

import (
	"fmt"
	"io"
	"os"
	"time"

	"github.com/google/uuid"

	"huskline/internal/fault"
	"huskline/services/huskline/internal/weighfeed"
)

type weighCmd struct {
	File string `arg:"" optional:"" default:"-" help:"File with a header row or JSON lines; - is standard input."`
}

// weighObject is a posting as programs read it.
type weighObject struct {
	Lines      int64        `json:"lines"`
	Stored     int64        `json:"stored"`
	Repeated   int64        `json:"repeated"`
	Refused    int64        `json:"refused"`
	Conflicts  int64        `json:"in_conflict"`
	Exceptions []lineObject `json:"exceptions"`
}

type lineObject struct {
	Line    int    `json:"line"`
	Scale   string `json:"scale"`
	Seq     int64  `json:"seq"`
	Outcome string `json:"outcome"`
	Reason  string `json:"reason"`
	Message string `json:"message"`
}

// Run posts the readings and names each line that was refused or is in conflict (exit 2); the good ones are stored all the same.
func (c *weighCmd) Run(s *session) error {
	feed := s.in
	if c.File != "-" {
		file, err := os.Open(c.File)
		if err != nil {
			return err
		}
		defer func() { _ = file.Close() }()
		feed = io.Reader(file)
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	o := weighObject{Exceptions: []lineObject{}}
	report, err := weighfeed.Post(s.ctx, weighfeed.Config{
		Stream: weighfeed.Stream{Intake: p.intake, Window: 4, Patience: weighfeed.Patience{Now: s.now, Call: 30 * time.Second, All: 2 * time.Minute}},
		NewID:  uuid.NewString,
		Each: func(l weighfeed.Line) {
			if l.Outcome == weighfeed.Refused || l.Outcome == weighfeed.Conflict {
				o.Exceptions = append(o.Exceptions, lineObject{l.Line, l.Scale, l.Seq, string(l.Outcome), l.Reason, l.Message})
				fmt.Fprintf(s.errout, "line %d: %s: %s (%s)\n", l.Line, l.Outcome, l.Message, l.Reason)
			}
		},
	}, feed)
	o.Lines, o.Stored, o.Repeated, o.Refused, o.Conflicts = report.Lines, report.Stored, report.Repeated, report.Refused, report.Conflicts
	if err != nil && report.Lines == 0 {
		return err
	}
	if printErr := s.print(answer{object: o, sheets: []sheet{{
		columns: []string{"lines", "stored", "repeated", "refused", "in conflict"}, numeric: numericColumns("lines", "stored", "repeated", "refused", "in conflict"),
		rows: [][]string{{itoa(o.Lines), itoa(o.Stored), itoa(o.Repeated), itoa(o.Refused), itoa(o.Conflicts)}},
		note: "Huskline supports the sealed scale and the weighmaster and replaces neither.",
	}}}); printErr != nil {
		return printErr
	}
	if err != nil {
		return err
	}
	if report.AnyRefused() {
		return fault.Precondition("lines_refused", "of %d lines %d are refused and %d in conflict; %d are stored, now or before",
			report.Lines, report.Refused, report.Conflicts, report.Stored+report.Repeated)
	}
	return nil
}
