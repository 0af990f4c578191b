package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"

	"huskline/internal/rpc"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
)

type scalesCmd struct {
	List     scaleListCmd     `cmd:"" default:"1" help:"List scales with the state of their feeds."`
	Rules    scaleRulesCmd    `cmd:"" help:"Print the rules that scales, readings and checks are judged by, with figures and sources."`
	Register scaleRegisterCmd `cmd:"" help:"Add a scale, or change it from now on: what no flag names stays as it is."`

	Discarded scaleDiscardedCmd `cmd:"" help:"List refused readings that were put aside for good, the last first."`

	Check     scaleCheckCmd     `cmd:"" help:"Record a check with test weights. A failed one takes the scale out of service and proposes what to correct."`
	Checks    scaleChecksCmd    `cmd:"" help:"List checks, the last recorded first."`
	Proposals scaleProposalsCmd `cmd:"" help:"List what failed checks proposed to correct."`
	Doubt     scaleDoubtCmd     `cmd:"" help:"List the deliveries and readings that a proposal names."`
	Decide    scaleDecideCmd    `cmd:"" help:"Approve or reject a proposal. No delivery is changed by it."`
}

// supports stands under everything that is printed about a scale.
const supports = "Huskline supports the sealed scale and the weighmaster and replaces neither."

type scaleListCmd struct{}

// scaleObject is a scale as programs read it.
type scaleObject struct {
	Scale      string `json:"scale"`
	Class      string `json:"class"`
	Capacity   string `json:"capacity_lb"`
	Division   string `json:"division_lb"`
	Unit       string `json:"unit"`
	Place      string `json:"place"`
	InService  bool   `json:"in_service"`
	Sealed     string `json:"sealed_until"`
	Limitless  bool   `json:"no_limits"`
	Watermark  int64  `json:"watermark"`
	Stored     int64  `json:"stored"`
	InConflict int64  `json:"in_conflict"`
	Missing    int64  `json:"missing"`
	Refused    int64  `json:"refused"`
	Newest     string `json:"newest"`
	Heard      string `json:"heard"`
	Lateness   string `json:"lateness_seconds"`
	Offset     string `json:"clock_offset_seconds"`
	PerHour    int64  `json:"readings_per_hour"`
	Silent     bool   `json:"silent"`
	SilentFrom string `json:"silent_since"`
	Failed     bool   `json:"check_failed"`

	Faults []scaleFault `json:"last_faults"`

	late, off string // lateness and clock offset for people
}

// scaleFault is a reading that was refused or is in conflict.
type scaleFault struct {
	At      string `json:"at"`
	Seq     int64  `json:"seq"`
	Reason  string `json:"reason"`
	Message string `json:"message"`
}

// Run lists every scale; one of which nothing is known says that it has no limits.
func (c *scaleListCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	objects := []scaleObject{}
	for page := ""; ; {
		got, err := p.intake.ListScales(s.ctx, &intakev1.ListScalesRequest{PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, one := range got.GetScales() {
			objects = append(objects, scaleObjectOf(one))
		}
		if page = got.GetNextPageToken(); page == "" {
			return s.print(answer{object: objects, sheets: []sheet{scaleSheet(objects), feedSheet(objects), faultSheet(objects)}})
		}
	}
}

func scaleObjectOf(one *intakev1.ScaleState) scaleObject {
	m := one.GetScale()
	o := scaleObject{
		Scale: m.GetScale(), Class: m.GetAccuracyClass(), Capacity: figure(m.GetCapacityMicropounds()), Division: figure(m.GetDivisionMicropounds()),
		Unit: m.GetUnit(), Place: m.GetPlace(), InService: m.GetInService(), Sealed: printTime(m.GetSealedUntil()),
		Limitless: m.GetCapacityMicropounds() == 0 && m.GetDivisionMicropounds() == 0,
		Watermark: one.GetWatermark(), Stored: one.GetStored(), InConflict: one.GetConflicts(), Missing: one.GetMissing(), Refused: one.GetRefused(),
		Newest: printTime(one.GetNewest()), Heard: printTime(one.GetHeard()), PerHour: one.GetReadingsPerHour(), Silent: one.GetSilent(),
		Failed: one.GetCheckFailed(), Faults: []scaleFault{},
	}
	if one.GetNewest() != nil {
		o.Lateness, o.late = micro(one.GetLatenessMicros(), 1), spanText(one.GetLatenessMicros())
	}
	if one.ClockOffsetMicros != nil {
		o.Offset, o.off = micro(one.GetClockOffsetMicros(), 1), spanText(one.GetClockOffsetMicros())
	}
	if o.Silent {
		o.SilentFrom = printTime(one.GetSilentSince())
	}
	for _, f := range one.GetFaults() {
		o.Faults = append(o.Faults, scaleFault{printTime(f.GetAt()), f.GetSequence(), f.GetReason(), f.GetMessage()})
	}
	return o
}

// spanText prints microseconds the way people tell a span: its two largest units, below a minute seconds alone.
func spanText(micros int64) string {
	sign := ""
	if micros < 0 {
		sign, micros = "-", -micros
	}
	n := micros / 1_000_000
	switch {
	case n < 60:
		return sign + micro(micros, 1) + " s"
	case n < 60*60:
		return fmt.Sprintf("%s%d min %d s", sign, n/60, n%60)
	case n < 24*60*60:
		return fmt.Sprintf("%s%d h %d min", sign, n/(60*60), n/60%60)
	}
	return fmt.Sprintf("%s%d d %d h", sign, n/(24*60*60), n/(60*60)%24)
}

// figure prints pounds, nothing where the figure is not known.
func figure(micropounds int64) string {
	if micropounds == 0 {
		return ""
	}
	return micro(micropounds, 0)
}

func scaleSheet(objects []scaleObject) sheet {
	sh := sheet{
		columns: []string{"scale", "class", "capacity lb", "division lb", "place", "service", "sealed until"},
		numeric: numericColumns("capacity lb", "division lb"),
	}
	for _, o := range objects {
		service := "in"
		if !o.InService {
			service = "out"
		}
		if o.Failed {
			service = "failed its check"
		}
		capacity := o.Capacity
		if o.Limitless {
			capacity = "no limits"
		}
		sh.rows = append(sh.rows, []string{
			o.Scale, o.Class, capacity, o.Division, o.Place, service, o.Sealed,
		})
	}
	return sh
}

// feedSheet is how the feeds do.
func feedSheet(objects []scaleObject) sheet {
	columns := []string{"scale", "watermark", "missing", "stored", "in conflict", "refused", "per hour", "late by", "clock off by", "newest", "heard", "alarm"}
	sh := sheet{title: "Feeds", columns: columns, numeric: numericColumns(columns[1:9]...), note: supports}
	for _, o := range objects {
		alarm := ""
		if o.Silent {
			alarm = "silent since " + o.SilentFrom
		}
		sh.rows = append(sh.rows, []string{
			o.Scale, itoa(o.Watermark), itoa(o.Missing), itoa(o.Stored), itoa(o.InConflict), itoa(o.Refused), itoa(o.PerHour), o.late, o.off, o.Newest,
			o.Heard, alarm,
		})
	}
	return sh
}

// faultSheet is the last readings that were refused or are in conflict.
func faultSheet(objects []scaleObject) sheet {
	sh := sheet{title: "Last faults", columns: []string{"scale", "came", "seq", "rule", "message"}, numeric: numericColumns("seq")}
	for _, o := range objects {
		for _, f := range o.Faults {
			sh.rows = append(sh.rows, []string{o.Scale, f.At, itoa(f.Seq), f.Reason, f.Message})
		}
	}
	if len(sh.rows) == 0 {
		return sheet{title: "No faults"}
	}
	return sh
}

type scaleRulesCmd struct{}

// ruleObject is a rule as programs read it.
type ruleObject struct {
	Name    string `json:"name"`
	Stage   string `json:"stage"`
	Rule    string `json:"rule"`
	Figure  string `json:"figure"`
	Effect  string `json:"effect"`
	Source  string `json:"source"`
	Edition string `json:"edition"`
	Basis   string `json:"basis"`
}

// Run prints the table that the service judges by.
func (c *scaleRulesCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	got, err := p.intake.ListWeighingRules(s.ctx, &intakev1.ListWeighingRulesRequest{})
	if err != nil {
		return rpc.FromStatus(err)
	}
	object := struct {
		Statement string       `json:"statement"`
		Rules     []ruleObject `json:"rules"`
	}{got.GetStatement(), []ruleObject{}}
	sh := sheet{columns: []string{"when", "rule", "effect", "says", "figure", "source", "known"}, note: got.GetStatement()}
	for _, r := range got.GetRules() {
		o := ruleObject{
			r.GetName(), word(r.GetStage().String(), "RULE_STAGE_"), r.GetRule(), r.GetFigure(), word(r.GetEffect().String(), "RULE_EFFECT_"), r.GetSource(),
			r.GetEdition(), word(r.GetBasis().String(), "RULE_BASIS_"),
		}
		object.Rules = append(object.Rules, o)
		source := o.Source
		if o.Edition != "" {
			source += " (" + o.Edition + ")"
		}
		sh.rows = append(sh.rows, []string{o.Stage, o.Name, o.Effect, folded(o.Rule), folded(o.Figure), folded(source), known(o.Basis)})
	}
	if s.cli.Format == "csv" {
		for _, row := range sh.rows {
			for i := range row {
				row[i] = strings.ReplaceAll(row[i], "\n", " ")
			}
		}
	}
	return s.print(answer{object: object, sheets: []sheet{sh}})
}

// word is an enum's value in plain letters.
func word(value, prefix string) string {
	return strings.ReplaceAll(strings.ToLower(strings.TrimPrefix(value, prefix)), "_", " ")
}

func known(basis string) string {
	switch basis {
	case "memory":
		return "from memory"
	case "own":
		return "Huskline's own"
	}
	return basis
}

// foldAt is how wide a column of sentences gets.
const foldAt = 44

// folded breaks a text between words, so that a table of sentences stays readable.
func folded(text string) string {
	var lines []string
	line := ""
	for _, w := range strings.Fields(text) {
		if line != "" && len(line)+1+len(w) > foldAt {
			lines, line = append(lines, line), ""
		}
		line = strings.TrimSpace(line + " " + w)
	}
	return strings.Join(append(lines, line), "\n")
}

type scaleRegisterCmd struct {
	Scale    string        `arg:"" help:"Code of the scale."`
	Class    string        `help:"Accuracy class by its marking: I, II, III, III L, IIII." placeholder:"CLASS"`
	Unit     string        `help:"Unit it counts in: LBR, KGM, ONZ or STN; a new scale: LBR." enum:"LBR,KGM,ONZ,STN," default:""`
	Capacity string        `help:"Largest load, in the unit." placeholder:"N"`
	Division string        `help:"Division, in the unit." placeholder:"N"`
	Range    []string      `help:"Range with a division of its own, in the unit, smallest first: UP-TO/DIVISION." placeholder:"N/N" sep:","`
	Minimum  string        `help:"Smallest load it is meant for, in the unit; left out: what its class recommends." placeholder:"N"`
	Place    string        `help:"Where it stands." placeholder:"PLACE"`
	Sealed   string        `help:"Until when the seal holds (RFC 3339 with zone)." placeholder:"TIME"`
	Out      bool          `help:"Out of service." xor:"service"`
	In       bool          `help:"In service again." xor:"service"`
	Hours    []string      `help:"When it is worked with: DAYS/OPENS-CLOSES, such as mon-fri/06:30-18:00." placeholder:"HOURS" sep:","`
	Zone     string        `help:"Time zone of the hours, such as America/Chicago." placeholder:"ZONE"`
	Silence  time.Duration `help:"Silence inside the hours that is an alarm." placeholder:"30m"`
}

// Run registers the scale as it stands from now on. Of a scale that is known, what no flag names stays as it is.
func (c *scaleRegisterCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	was, err := p.scale(s.ctx, c.Scale)
	if err != nil {
		return err
	}
	c.Unit = cmp.Or(c.Unit, was.GetUnit(), "LBR")
	m, err := c.message()
	if err != nil {
		return err
	}
	m = c.over(was, m)
	_, err = p.intake.RegisterScale(s.ctx, &intakev1.RegisterScaleRequest{CommandId: uuid.NewString(), Scale: m})
	if err != nil {
		return rpc.FromStatus(err)
	}
	service := "in service"
	if !m.GetInService() {
		service = "out of service"
	}
	_, err = fmt.Fprintf(s.errout, "scale %s is registered: class %s, capacity %s lb, division %s lb, %s\n", c.Scale, cmp.Or(m.GetAccuracyClass(), "not told"),
		grouped(m.GetCapacityMicropounds(), 6), grouped(m.GetDivisionMicropounds(), 6), service)
	return err
}

// scale is a scale as it stands in the register; nil where there is none of the code.
func (p *plant) scale(ctx context.Context, code string) (*intakev1.Scale, error) {
	for page := ""; ; {
		got, err := p.intake.ListScales(ctx, &intakev1.ListScalesRequest{PageSize: 1000, PageToken: page})
		if err != nil {
			return nil, rpc.FromStatus(err)
		}
		for _, one := range got.GetScales() {
			if one.GetScale().GetScale() == code {
				return one.GetScale(), nil
			}
		}
		if page = got.GetNextPageToken(); page == "" {
			return nil, nil
		}
	}
}

// over puts what the flags name in place of what stood.
func (c *scaleRegisterCmd) over(was, m *intakev1.Scale) *intakev1.Scale {
	if was == nil {
		return m
	}
	out := proto.CloneOf(was)
	if len(m.GetRanges()) > 0 {
		out.Ranges = nil
	}
	if len(m.GetHours()) > 0 {
		out.Hours = nil
	}
	proto.Merge(out, m)
	out.InService = c.In || was.GetInService() && !c.Out
	return out
}

func (c *scaleRegisterCmd) message() (*intakev1.Scale, error) {
	sealed, err := parseTime("--sealed", c.Sealed)
	if err != nil {
		return nil, err
	}
	m := &intakev1.Scale{
		Scale: c.Scale, AccuracyClass: c.Class, Unit: c.Unit, Place: c.Place, InService: !c.Out, SealedUntil: sealed, TimeZone: c.Zone,
		SilentAfterSeconds: int64(c.Silence / time.Second),
	}
	for _, one := range []struct {
		flag, text string
		into       *int64
	}{
		{"--capacity", c.Capacity, &m.CapacityMicropounds}, {"--division", c.Division, &m.DivisionMicropounds}, {"--minimum", c.Minimum, &m.MinimumMicropounds},
	} {
		if one.text == "" {
			continue
		}
		if *one.into, err = c.mass(one.flag, one.text); err != nil {
			return nil, err
		}
	}
	for _, text := range c.Range {
		top, division, _ := strings.Cut(text, "/")
		r := &intakev1.ScaleRange{}
		if r.UpToMicropounds, err = c.mass("--range", top); err != nil {
			return nil, err
		}
		if r.DivisionMicropounds, err = c.mass("--range", division); err != nil {
			return nil, err
		}
		m.Ranges = append(m.Ranges, r)
	}
	for _, text := range c.Hours {
		hours, err := parseHours(text)
		if err != nil {
			return nil, err
		}
		m.Hours = append(m.Hours, hours...)
	}
	return m, nil
}

func (c *scaleRegisterCmd) mass(flag, text string) (int64, error) {
	m, err := weight.FromReading(text, weight.Unit(c.Unit))
	if err != nil {
		return 0, usageError{fmt.Errorf("%s %q: %w", flag, text, err)}
	}
	return int64(m), nil
}

// parseHours reads "mon-fri/06:30-18:00" or "sat/07:00-12:00".
func parseHours(text string) ([]*intakev1.ScaleHours, error) {
	names := []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}
	wrong := usageError{fmt.Errorf("--hours %q: it reads like mon-fri/06:30-18:00 or sat/07:00-12:00", text)}
	days, times, found := strings.Cut(text, "/")
	opens, closes, between := strings.Cut(times, "-")
	from, to, several := strings.Cut(strings.ToLower(days), "-")
	if !several {
		to = from
	}
	first, last := slices.Index(names, from), slices.Index(names, to)
	if !found || !between || first < 0 || last < first {
		return nil, wrong
	}
	var out []*intakev1.ScaleHours
	for day := first; day <= last; day++ {
		out = append(out, &intakev1.ScaleHours{Weekday: int32(day + 1), Opens: opens, Closes: closes})
	}
	return out, nil
}
