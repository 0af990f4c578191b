package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

type watchCmd struct {
	Readings watchReadingsCmd `cmd:"" help:"Readings as they are stored."`
	Balances watchBalancesCmd `cmd:"" help:"What comes to lie where, and what leaves."`
	Runs     watchRunsCmd     `cmd:"" help:"What happens to runs."`
}

type watchReadingsCmd struct {
	After string   `help:"Go on behind a position that an earlier view ended with; without it from now on." placeholder:"POSITION"`
	Scale []string `help:"Only of these scales." placeholder:"SCALE"`
}

type watchBalancesCmd struct {
	After string   `help:"Go on behind a position that an earlier view ended with; without it from now on." placeholder:"POSITION"`
	Place []string `help:"Only at these places." placeholder:"PLACE"`
	Item  []string `help:"Only of these items." placeholder:"ITEM"`
	Lot   []string `help:"Only of these lots." placeholder:"LOT"`
}

type watchRunsCmd struct {
	After  string   `help:"Go on behind a position that an earlier view ended with; without it from now on." placeholder:"POSITION"`
	Number []string `name:"run" help:"Only these runs." placeholder:"RUN"`
}

// Run shows readings until ctrl-C.
func (c *watchReadingsCmd) Run(s *session) error {
	return watch(s, c.After, []string{"recorded", "scale", "sequence", "weight", "unit", "pounds", "reference"}, func(ctx context.Context, p *plant, after string) (receiver, error) {
		stream, err := p.intake.WatchReadings(ctx, &intakev1.WatchReadingsRequest{Scales: c.Scale, After: after})
		if err != nil {
			return nil, err
		}
		return func() (seen, error) {
			m, err := stream.Recv()
			v := seenOf(m)
			for _, r := range m.GetReadings() {
				d := r.GetReading()
				v.object.Readings = append(v.object.Readings, readingObject{
					Scale: d.GetScale(), Seq: d.GetSequence(), Time: clockText(d.GetTime()), Weight: d.GetDigits(), Unit: d.GetUnit(),
					Pounds: exact(r.GetMicropounds()), Reference: d.GetReference(), Historic: r.GetHistoric(), Marks: r.GetMarks(),
				})
				v.rows = append(v.rows, []string{v.object.Recorded, d.GetScale(), itoa(d.GetSequence()), d.GetDigits(), d.GetUnit(), micro(r.GetMicropounds(), 1), d.GetReference()})
			}
			return v, err
		}, nil
	})
}

// Run shows changes of balances until ctrl-C.
func (c *watchBalancesCmd) Run(s *session) error {
	return watch(s, c.After, []string{"recorded", "event", "lot", "item", "place", "change", "then there", "unit"}, func(ctx context.Context, p *plant, after string) (receiver, error) {
		stream, err := p.inventory.WatchBalances(ctx, &inventoryv1.WatchBalancesRequest{Places: c.Place, Items: c.Item, Lots: c.Lot, After: after})
		if err != nil {
			return nil, err
		}
		return func() (seen, error) {
			m, err := stream.Recv()
			v := seenOf(m)
			v.object.Type = m.GetType()
			for _, b := range m.GetChanges() {
				change, quantity, unit := exact(b.GetChange()), exact(b.GetQuantity()), "lb"
				if b.GetMeasure() == eventv1.Measure_MEASURE_COUNT {
					change, quantity, unit = json.Number(itoa(b.GetChange())), json.Number(itoa(b.GetQuantity())), "pieces"
				}
				v.object.Changes = append(v.object.Changes, changeObject{b.GetLot(), b.GetItem(), b.GetOwner(), b.GetPlace(), unit, change, quantity})
				v.rows = append(v.rows, []string{v.object.Recorded, m.GetType(), b.GetLot(), b.GetItem(), b.GetPlace(), change.String(), quantity.String(), unit})
			}
			return v, err
		}, nil
	})
}

// Run shows what happens to runs until ctrl-C.
func (c *watchRunsCmd) Run(s *session) error {
	return watch(s, c.After, []string{"recorded", "run", "what", "in lb", "out lb"}, func(ctx context.Context, p *plant, after string) (receiver, error) {
		stream, err := p.production.WatchRuns(ctx, &productionv1.WatchRunsRequest{Runs: c.Number, After: after})
		if err != nil {
			return nil, err
		}
		return func() (seen, error) {
			m, err := stream.Recv()
			v := seenOf(m)
			for _, r := range m.GetRuns() {
				o := runChangeOf(r)
				v.object.Runs = append(v.object.Runs, o)
				v.rows = append(v.rows, []string{v.object.Recorded, o.Run, o.What, o.Input.String(), o.Output.String()})
			}
			return v, err
		}, nil
	})
}

// watchObject is one message of a live view as programs read it: one JSON object a line.
type watchObject struct {
	At        string            `json:"at"` // producer/epoch/position of the event
	EventID   string            `json:"event_id"`
	Recorded  string            `json:"recorded"`
	Effective string            `json:"effective"`
	Actor     string            `json:"actor"`
	Type      string            `json:"type,omitempty"`
	Readings  []readingObject   `json:"readings,omitempty"`
	Changes   []changeObject    `json:"changes,omitempty"`
	Runs      []runChangeObject `json:"runs,omitempty"`
	Resume    string            `json:"resume"` // for --after
}

type readingObject struct {
	Scale     string      `json:"scale"`
	Seq       int64       `json:"seq"`
	Time      string      `json:"time"`
	Weight    string      `json:"weight"`
	Unit      string      `json:"unit"`
	Pounds    json.Number `json:"pounds"`
	Reference string      `json:"reference"`
	Historic  bool        `json:"historic"`
	Marks     []string    `json:"marks,omitempty"`
}

type changeObject struct {
	Lot      string      `json:"lot"`
	Item     string      `json:"item"`
	Owner    string      `json:"owner"`
	Place    string      `json:"place"`
	Unit     string      `json:"unit"` // of the quantities: lb or pieces
	Change   json.Number `json:"change"`
	Quantity json.Number `json:"quantity"` // after it
}

type runChangeObject struct {
	Run     string      `json:"run"`
	What    string      `json:"what"` // opened, posted, completed, corrected or charged
	Version int64       `json:"version"`
	Input   json.Number `json:"input_lb"`  // of these lines, or of the whole run where it is completed or corrected
	Output  json.Number `json:"output_lb"` // likewise; pieces are not among them
	Final   bool        `json:"final"`
}

func runChangeOf(r *productionv1.RunChange) runChangeObject {
	const prefix = "RUN_CHANGE_KIND_"
	done, lines := r.GetCompleted(), r.GetPosted()
	in, out := done.GetInputMicropounds(), done.GetOutputMicropounds()
	for _, l := range lines.GetInputs() {
		in += l.GetQuantity()
	}
	for _, l := range lines.GetOutputs() {
		if l.GetMeasure() == eventv1.Measure_MEASURE_WEIGHT {
			out += l.GetQuantity()
		}
	}
	return runChangeObject{
		Run: r.GetRun(), What: strings.ToLower(strings.TrimPrefix(r.GetKind().String(), prefix)), Version: max(done.GetVersion(), lines.GetVersion()),
		Input: exact(in), Output: exact(out), Final: done != nil || lines.GetFinal(),
	}
}

// seen is one message: an object for programs, rows for people; without rows it only tells where the view stands.
type seen struct {
	object watchObject
	rows   [][]string
}

// told is what the messages of all views have in common.
type told interface {
	GetAt() *eventv1.Receipt
	GetEventId() string
	GetRecorded() *timestamppb.Timestamp
	GetEffective() *timestamppb.Timestamp
	GetActor() string
	GetResume() string
}

func seenOf(m told) seen {
	at := ""
	if r := m.GetAt(); r != nil {
		at = fmt.Sprintf("%s/%d/%d", r.GetProducer(), r.GetEpoch(), r.GetPosition())
	}
	return seen{object: watchObject{
		At: at, EventID: m.GetEventId(), Recorded: clockText(m.GetRecorded()), Effective: clockText(m.GetEffective()), Actor: m.GetActor(), Resume: m.GetResume(),
	}}
}

func clockText(t *timestamppb.Timestamp) string {
	if t == nil {
		return ""
	}
	return t.AsTime().Format(time.RFC3339Nano)
}

// receiver gives the messages of one stream.
type receiver func() (seen, error)

// The pauses between two tries to watch again, and how long the first connection may take.
const (
	watchPause    = 200 * time.Millisecond
	maxWatchPause = 5 * time.Second
)

// watch prints a view until ctrl-C. One that breaks, because the service stopped or this reader was too slow, is opened again where it stood; the
// position at the end is told on standard error.
func watch(s *session, after string, columns []string, open func(ctx context.Context, p *plant, after string) (receiver, error)) error {
	out := &watchPrinter{s: s, columns: columns}
	pause, begun := watchPause, false
	for {
		err := func() error {
			p, err := s.dial() // anew each time: a plant that was started again may listen elsewhere
			if err != nil {
				return err
			}
			defer p.close()
			next, err := open(s.ctx, p, after)
			for err == nil {
				var v seen
				if v, err = next(); err == nil {
					after, begun, pause = v.object.Resume, true, watchPause
					if len(v.rows) > 0 {
						err = out.print(v)
					}
				}
			}
			return err
		}()
		switch {
		case s.ctx.Err() != nil:
			fmt.Fprintf(s.errout, "go on with --after %s\n", after)
			return nil
		case errors.Is(err, errPrint):
			return err
		case !begun || fault.KindOf(rpc.FromStatus(err)) != fault.KindUnavailable && !errors.Is(err, io.EOF):
			return err
		}
		fmt.Fprintf(s.errout, "huskline: %v; watching again from there\n", err)
		select {
		case <-s.ctx.Done():
		case <-time.After(pause):
		}
		pause = min(2*pause, maxWatchPause)
	}
}

// errPrint is a standard output that takes no more.
var errPrint = errors.New("print a live view")

// watchPrinter writes each message as it comes.
type watchPrinter struct {
	s       *session
	columns []string
	headed  bool
}

func (w *watchPrinter) print(v seen) error {
	var err error
	switch w.s.cli.Format {
	case "json":
		err = json.NewEncoder(w.s.out).Encode(v.object)
	case "csv":
		table := csv.NewWriter(w.s.out)
		err = table.WriteAll(w.withHead(v.rows))
	default:
		for _, row := range w.withHead(v.rows) {
			for i, cell := range row {
				row[i] = fmt.Sprintf("%-*s", max(len(w.columns[i]), watchCell), cell)
			}
			if _, err = fmt.Fprintln(w.s.out, strings.TrimRight(strings.Join(row, "  "), " ")); err != nil {
				break
			}
		}
	}
	if err != nil {
		return fmt.Errorf("%w: %v", errPrint, err)
	}
	return nil
}

// watchCell is the least width of a cell: rows come one by one, so no column can wait for its widest.
const watchCell = 14

func (w *watchPrinter) withHead(rows [][]string) [][]string {
	if w.headed {
		return rows
	}
	w.headed = true
	return append([][]string{append([]string(nil), w.columns...)}, rows...)
}
