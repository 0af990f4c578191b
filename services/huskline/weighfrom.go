package main

import (
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/device"
	"huskline/services/huskline/internal/station"
	"huskline/services/huskline/internal/weighqueue"
)

// from stands beside a device until SIGTERM or ctrl-C.
func (c *weighCmd) from(s *session) error {
	address, err := device.ParseAddress(c.From)
	if err != nil {
		return usageError{fmt.Errorf("--from: %w", err)}
	}
	limit, err := parseBytes(c.QueueLimit)
	switch {
	case err != nil:
		return usageError{fmt.Errorf("--queue-limit: %w", err)}
	case c.File != "-":
		return usageError{errors.New("weigh: either a FILE, read once, or --from, which goes on")}
	case c.Queue == "":
		return usageError{errors.New("weigh --from: --queue DIR names the folder that keeps readings until the plant has them")}
	case address.Frames() && c.Scale == "":
		return usageError{errors.New("weigh --from: --scale names the scale whose frames these are")}
	case c.AcceptLoss && c.First == 0:
		return usageError{errors.New("weigh --accept-loss: --first gives the first number that the scale never used")}
	}
	password, err := secretFile(c.PassFile)
	if err != nil {
		return err
	}
	line := &plantLine{s: s}
	defer line.close()
	if _, err := line.intake(); err != nil && fault.KindOf(err) != fault.KindUnavailable {
		return err
	}
	queue, opened, err := weighqueue.Open(weighqueue.Config{Dir: c.Queue, Limit: limit, AcceptLoss: c.AcceptLoss})
	if err != nil {
		return err
	}
	defer func() { _ = queue.Close() }()
	say := newWeighTeller(s)
	say.opened(c.Queue, opened)
	report, err := station.Run(s.ctx, station.Config{
		Queue: queue, Source: c.source(s, address, queue, password), Intake: line.intake, NewID: uuid.NewString, Scale: c.Scale, First: c.First, Register: c.Register, Now: s.now, Say: say.event,
	})
	fmt.Fprintf(s.errout, "captured %d, stored %d, sent before %d, in conflict %d; %d wait and %d are set aside in %s\n",
		report.Captured, report.Stored, report.Repeated, report.Conflicts, report.Waiting, report.Aside, c.Queue)
	tellMarked(s.errout, report.Marked, report.Doubtful)
	switch {
	case err != nil:
		return err
	case report.Aside > 0 || report.Conflicts > 0:
		return fault.Precondition("readings_refused", "%d readings are refused and stay in %s, %d are in conflict", report.Aside, c.Queue, report.Conflicts)
	case report.Waiting > 0:
		return fault.Unavailable("readings_wait", "%d readings are not stored yet; they stay in %s and are sent with the next start", report.Waiting, c.Queue)
	}
	return nil
}

// source is the device, going on where the queue says that an earlier run ended.
func (c *weighCmd) source(s *session, a device.Address, queue *weighqueue.Queue, password string) device.Source {
	switch a.Scheme {
	case "file":
		return device.NewFollow(device.FollowConfig{Path: a.Place, Origin: queue.Origin()})
	case "mqtt":
		sum := sha256.Sum256([]byte(queue.Dir()))
		return device.NewTopic(device.TopicConfig{Broker: a.Place, User: a.User, Password: password, Topic: a.Topic, Client: fmt.Sprintf("huskline-%x", sum[:6])})
	}
	at := queue.Scale(c.Scale)
	return device.NewFrames(device.FramesConfig{
		Scale: c.Scale, Name: a.Place, Open: a.Open(), Demand: a.Demand, Every: a.Every, Kind: a.Kind, Now: s.now,
		Capture: device.CaptureConfig{Stable: a.Stable, Threshold: a.Threshold, Armed: at.Armed, Digits: at.Last.GetDigits(), Unit: at.Last.GetUnit()},
	})
}

// plantLine is the way to a plant that may be away or come back at another address: the data folder is read before each call.
type plantLine struct {
	s *session

	mu     sync.Mutex
	plant  *plant
	target target
}

func (l *plantLine) intake() (intakev1.IntakeServiceClient, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	now, err := l.s.target()
	if err != nil {
		return nil, err
	}
	if l.plant != nil && l.target == now {
		return l.plant.intake, nil
	}
	if l.plant != nil {
		l.plant.close()
		l.plant = nil
	}
	if l.plant, err = dialTarget(now); err != nil {
		return nil, err
	}
	l.target = now
	return l.plant.intake, nil
}

func (l *plantLine) close() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.plant != nil {
		l.plant.close()
	}
}

// parseBytes reads a size: bytes, or with KiB, MiB or GiB.
func parseBytes(text string) (int64, error) {
	digits, shift := text, 0
	for unit, by := range map[string]int{"KiB": 10, "MiB": 20, "GiB": 30} {
		if cut, found := strings.CutSuffix(text, unit); found {
			digits, shift = cut, by
		}
	}
	n, err := strconv.ParseInt(digits, 10, 64)
	if err != nil || n < 1 || n > 1<<40>>shift {
		return 0, fmt.Errorf("%q: a whole number of bytes up to 1 TiB, or of KiB, MiB or GiB", text)
	}
	return n << shift, nil
}

// weighTeller prints what happens beside a scale: readings on standard output, all else on standard error.
type weighTeller struct {
	s *session
}

func newWeighTeller(s *session) *weighTeller { return &weighTeller{s} }

func (w *weighTeller) opened(dir string, o weighqueue.Opened) {
	if o.Torn > 0 {
		fmt.Fprintf(w.s.errout, "queue %s: %d bytes torn off at the end by a crash are cut; no reading that counted was in them\n", dir, o.Torn)
	}
	if o.Lost != nil {
		fmt.Fprintf(w.s.errout, "LOSS ACCEPTED: queue %s: %v\n", dir, o.Lost)
	}
	if o.Remaining > 0 {
		fmt.Fprintf(w.s.errout, "queue %s: %d readings wait from before\n", dir, o.Remaining)
	}
}

// weighEvent is an event as programs read it.
type weighEvent struct {
	Event   string   `json:"event"`
	Scale   string   `json:"scale"`
	Seq     int64    `json:"seq"`
	Time    string   `json:"time"`
	Reading string   `json:"reading"`
	Unit    string   `json:"unit"`
	Kind    string   `json:"kind"`
	Reason  string   `json:"reason,omitempty"`
	Message string   `json:"message,omitempty"`
	Marks   []string `json:"marks,omitempty"`
}

func (w *weighTeller) event(e station.Event) {
	if e.Reading != nil {
		w.reading(e)
	}
	if e.Message == "" {
		return
	}
	mark := ""
	if e.Alarm {
		mark = "ALARM "
	}
	fmt.Fprintf(w.s.errout, "%s %s%s (%s)\n", w.s.now().UTC().Format(time.RFC3339), mark, e.Message, e.Reason)
	if e.Name == string(weighqueue.Conflict) {
		fmt.Fprintf(w.s.errout, "    ours:   %s\n    theirs: %s\n", readingLine(e.Reading), readingLine(e.Theirs))
	}
}

func (w *weighTeller) reading(e station.Event) {
	r := e.Reading
	o := weighEvent{Event: e.Name, Scale: r.GetScale(), Seq: r.GetSequence(), Time: eventTime(r.GetTime()), Reading: r.GetDigits(), Unit: r.GetUnit(), Kind: kindWord(r.GetKind()),
		Reason: e.Reason, Message: e.Message, Marks: e.Marks}
	switch w.s.cli.Format {
	case "json":
		_ = json.NewEncoder(w.s.out).Encode(o)
	case "csv":
		fmt.Fprintf(w.s.out, "%s,%s,%d,%s,%s,%s,%s,%s\n", o.Event, o.Scale, o.Seq, o.Time, o.Reading, o.Unit, o.Kind, o.Reason)
	default:
		marks := ""
		if len(o.Marks) > 0 {
			marks = ", marked " + strings.Join(o.Marks, ", ")
		}
		fmt.Fprintf(w.s.out, "%-9s %s%s\n", o.Event, readingLine(r), marks)
	}
}

func readingLine(r *intakev1.Reading) string {
	if r == nil {
		return "could not be looked up"
	}
	return fmt.Sprintf("%s number %d: %s %s %s at %s", r.GetScale(), r.GetSequence(), kindWord(r.GetKind()), r.GetDigits(), r.GetUnit(), eventTime(r.GetTime()))
}

func kindWord(k intakev1.ReadingKind) string {
	return strings.ToLower(strings.TrimPrefix(k.String(), "READING_KIND_"))
}

// eventTime is a reading's time as it is kept, to the microsecond.
func eventTime(t *timestamppb.Timestamp) string { return t.AsTime().Format(time.RFC3339Nano) }
