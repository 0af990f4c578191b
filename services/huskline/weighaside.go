package main

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighqueue"
)

// asideObject is a reading that is set aside in a queue as programs read it.
type asideObject struct {
	Scale   string `json:"scale"`
	Seq     int64  `json:"seq"`
	Time    string `json:"time"`
	Reading string `json:"reading"`
	Unit    string `json:"unit"`
	Kind    string `json:"kind"`
	Rule    string `json:"rule"`
	Message string `json:"message"`
}

// aside lists what is set aside in a queue, or puts some of it aside for good.
func (c *weighCmd) aside(s *session) error {
	switch {
	case c.From != "" || c.File != "-":
		return usageError{errors.New("weigh: --aside and --discard look into a queue and weigh nothing")}
	case c.Queue == "":
		return usageError{errors.New("weigh: --queue DIR names the queue that --aside and --discard look into")}
	case c.Aside == (c.Discard != "") || (c.Discard == "") != (c.Reason == ""):
		return usageError{errors.New("weigh: either --aside, or --discard SCALE/NUMBER with --reason TEXT")}
	}
	all, err := weighqueue.Look(c.Queue)
	if err != nil {
		return err
	}
	if c.Discard != "" {
		return c.discard(s, all)
	}
	list := []asideObject{}
	sh := sheet{title: "Set aside in " + c.Queue, columns: []string{"scale", "number", "time", "reading", "unit", "kind", "rule"}, numeric: numericColumns("number", "reading")}
	for _, a := range all {
		r := a.Reading
		o := asideObject{r.GetScale(), r.GetSequence(), eventTime(r.GetTime()), r.GetDigits(), r.GetUnit(), kindWord(r.GetKind()), a.Reason, a.Message}
		list = append(list, o)
		sh.rows = append(sh.rows, []string{o.Scale, itoa(o.Seq), o.Time, o.Reading, o.Unit, o.Kind, o.Rule})
	}
	sh.note = "They are sent again every few minutes. One that can never be stored is put aside for good with --discard SCALE/NUMBER --reason TEXT."
	return s.print(answer{object: list, sheets: []sheet{sh}})
}

// discard has the plant record that readings are put aside for good; the queue lets go of each once the plant has answered it so.
func (c *weighCmd) discard(s *session, all []weighqueue.Aside) error {
	at := strings.LastIndex(c.Discard, "/")
	number, err := strconv.ParseInt(c.Discard[at+1:], 10, 64)
	if at < 1 || err != nil {
		return usageError{fmt.Errorf("--discard %q: it reads SCALE/NUMBER", c.Discard)}
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	found := 0
	for _, a := range all {
		if a.Reading.GetScale() != c.Discard[:at] || a.Reading.GetSequence() != number {
			continue
		}
		found++
		ctx, cancel := context.WithTimeout(s.ctx, 30*time.Second)
		_, err := p.intake.DiscardReading(ctx, &intakev1.DiscardReadingRequest{CommandId: uuid.NewString(), Reading: a.Reading, Reason: c.Reason})
		cancel()
		if err = rpc.FromStatus(err); err != nil && fault.ReasonOf(err) != "reading_discarded" {
			return err
		}
		fmt.Fprintf(s.out, "put aside for good: %s; it leaves the queue when it is sent again\n", readingLine(a.Reading))
	}
	if found == 0 {
		return fault.NotFound("reading_unknown", "queue %s: no reading of scale %s under number %d is set aside", c.Queue, c.Discard[:at], number)
	}
	return nil
}

type scaleDiscardedCmd struct{}

// discardedObject is a reading that was put aside for good as programs read it.
type discardedObject struct {
	asideObject
	Reason   string `json:"reason"`
	By       string `json:"by"`
	Recorded string `json:"recorded"`
}

// Run lists readings that were put aside for good.
func (c *scaleDiscardedCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	list := []discardedObject{}
	sh := sheet{title: "Readings put aside for good", columns: []string{"scale", "number", "time", "reading", "unit", "rule", "reason", "by", "recorded"}, numeric: numericColumns("number", "reading")}
	for page := ""; ; {
		got, err := p.intake.ListDiscardedReadings(s.ctx, &intakev1.ListDiscardedReadingsRequest{PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, r := range got.GetReadings() {
			o := discardedObject{discardedReading(r.GetDiscarded()), r.GetDiscarded().GetReason(), r.GetDiscarded().GetBy(), eventTime(r.GetRecorded())}
			list = append(list, o)
			sh.rows = append(sh.rows, []string{o.Scale, itoa(o.Seq), o.Time, o.asideObject.Reading, o.Unit, o.Rule, o.Reason, o.By, o.Recorded})
		}
		if page = got.GetNextPageToken(); page == "" {
			return s.print(answer{object: list, sheets: []sheet{sh}})
		}
	}
}

func discardedReading(d *eventv1.ReadingDiscarded) asideObject {
	o := asideObject{
		Scale: d.GetScale(), Seq: d.GetSequence(), Reading: d.GetDigits(), Unit: d.GetUnit(), Kind: kindWord(intakev1.ReadingKind(d.GetKind())), Rule: d.GetRule(),
		Message: d.GetRuleMessage(),
	}
	if d.GetTime() != nil {
		o.Time = eventTime(d.GetTime())
	}
	return o
}
