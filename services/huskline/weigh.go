package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/google/uuid"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighfeed"
)

type weighCmd struct {
	File       string `arg:"" optional:"" default:"-" help:"File with a header row or JSON lines; - is standard input."`
	Register   bool   `help:"Register scales that the plant does not know, without limits; needs an administrator's token. Without it their readings are refused, but for a plant that knows no scale yet."`
	From       string `help:"Stand beside a device and go on until ctrl-C: tcp://HOST:PORT or serial:///dev/NAME (text frames of SMA SCP-0499), mqtt://USER@HOST:PORT/TOPIC, or a file that grows." placeholder:"ADDRESS"`
	Scale      string `help:"With --from: the scale that sends the frames." placeholder:"CODE"`
	Queue      string `help:"With --from: folder that keeps readings until the plant has them." type:"path" placeholder:"DIR"`
	QueueLimit string `help:"With --from: how large the queue may grow; at its limit nothing more is captured, and nothing is dropped." default:"64MiB" placeholder:"SIZE"`
	PassFile   string `name:"password-file" help:"With --from mqtt://…: file with the password at the broker." type:"path" placeholder:"FILE"`
	First      int64  `help:"With --from: the scale's first own number; otherwise a new queue asks the plant." placeholder:"N"`
	Aside      bool   `help:"With --queue: list the readings that the plant refused and that are set aside in the queue, whoever uses it."`
	Discard    string `help:"With --queue and --reason: put the refused readings of a scale under a number aside for good. The plant records who did it and why." placeholder:"SCALE/NUMBER"`
	Reason     string `help:"With --discard: why." placeholder:"TEXT"`
	AcceptLoss bool   `help:"With --from and --first: go on with what is whole of a queue that was cut or damaged."`
}

// weighObject is a posting as programs read it.
type weighObject struct {
	Lines      int64        `json:"lines"`
	Stored     int64        `json:"stored"`
	Repeated   int64        `json:"repeated"`
	Refused    int64        `json:"refused"`
	Conflicts  int64        `json:"in_conflict"`
	Marked     int64        `json:"marked"`        // of those stored
	Doubtful   int64        `json:"time_doubtful"` // of those marked
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
	if c.Aside || c.Discard != "" || c.Reason != "" {
		return c.aside(s)
	}
	if c.From != "" {
		return c.from(s)
	}
	if c.Scale != "" || c.Queue != "" || c.First != 0 || c.AcceptLoss {
		return usageError{errors.New("weigh: --scale, --queue, --first and --accept-loss go with --from")}
	}
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
	scales := &scaleBook{s: s, intake: p.intake, register: c.Register}
	report, err := weighfeed.Post(s.ctx, weighfeed.Config{
		Admit:  scales.admit,
		Stream: weighfeed.Stream{Intake: p.intake, Window: 4, Patience: weighfeed.Patience{Now: s.now, Call: 30 * time.Second, All: 2 * time.Minute}},
		NewID:  uuid.NewString,
		Each: func(l weighfeed.Line) {
			scales.answered(l)
			if l.Outcome == weighfeed.Refused || l.Outcome == weighfeed.Conflict {
				o.Exceptions = append(o.Exceptions, lineObject{l.Line, l.Scale, l.Seq, string(l.Outcome), l.Reason, l.Message})
				fmt.Fprintf(s.errout, "line %d: %s: %s (%s)\n", l.Line, l.Outcome, l.Message, l.Reason)
			}
		},
	}, feed)
	o.Lines, o.Stored, o.Repeated, o.Refused, o.Conflicts = report.Lines, report.Stored, report.Repeated, report.Refused, report.Conflicts
	o.Marked, o.Doubtful = report.Marked, report.Doubtful
	if err != nil && report.Lines == 0 {
		return err
	}
	tellMarked(s.errout, o.Marked, o.Doubtful)
	columns := []string{"lines", "stored", "repeated", "refused", "in conflict", "marked", "time doubtful"}
	if printErr := s.print(answer{object: o, sheets: []sheet{{
		columns: columns, numeric: numericColumns(columns...),
		rows: [][]string{{itoa(o.Lines), itoa(o.Stored), itoa(o.Repeated), itoa(o.Refused), itoa(o.Conflicts), itoa(o.Marked), itoa(o.Doubtful)}},
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

// tellMarked says how many readings were stored with a mark, where some were: a person has to judge what rests on them.
func tellMarked(to io.Writer, marked, doubtful int64) {
	if marked > 0 {
		fmt.Fprintf(to, "%d stored readings are marked, %d of them with a doubtful time: huskline scales rules says by which rules\n", marked, doubtful)
	}
}

// scaleBook is the scales that the plant knows, so that a misspelt code is noticed: with an administrator's token it would become a scale.
type scaleBook struct {
	s        *session
	intake   intakev1.IntakeServiceClient
	register bool
	asked    bool
	first    bool            // the plant knew no scale: there is none to misspell
	known    map[string]bool // nil where the plant did not say
}

// admit refuses a code that the plant does not know, unless it is to be registered or the plant knew none at all. It asks the plant once.
func (b *scaleBook) admit(r *intakev1.Reading) error {
	if !b.asked {
		b.asked = true
		_ = b.load() // where the plant does not answer, the posting itself says why
		b.first = b.known != nil && len(b.known) == 0
	}
	if b.register || b.known == nil || b.known[r.GetScale()] {
		return nil
	}
	for code := range b.known {
		if strings.EqualFold(code, r.GetScale()) {
			return fault.Invalid("scale_capitals", "scale %s: it is not known, %s is; codes are told apart by their capitals too (--register allows both)", r.GetScale(), code)
		}
	}
	if b.first {
		return nil
	}
	return fault.NotFound("scale_unknown", "scale %s: it is not registered; --register registers it with this reading", r.GetScale())
}

// answered tells a scale that came to be by its first reading.
func (b *scaleBook) answered(l weighfeed.Line) {
	if l.Scale == "" || l.Outcome != weighfeed.Stored && l.Outcome != weighfeed.Conflict || b.known == nil || b.known[l.Scale] {
		return
	}
	b.known[l.Scale] = true
	if !b.register {
		fmt.Fprintf(b.s.errout, "line %d: scale %s was not known: it is registered now, without limits, since an administrator's token posts; is it spelt right?\n", l.Line, l.Scale)
	}
}

func (b *scaleBook) load() error {
	ctx, cancel := context.WithTimeout(b.s.ctx, 5*time.Second)
	defer cancel()
	known := map[string]bool{}
	for page := ""; ; {
		got, err := b.intake.ListScales(ctx, &intakev1.ListScalesRequest{PageSize: 1000, PageToken: page})
		if err != nil {
			return err
		}
		for _, one := range got.GetScales() {
			known[one.GetScale().GetScale()] = true
		}
		if page = got.GetNextPageToken(); page == "" {
			b.known = known
			return nil
		}
	}
}
