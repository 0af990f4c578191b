// Package scales is the door for scales: their registration, the state of their feeds, their rules, their checks with test weights, and what failed
// checks put in doubt.
package scales

import (
	"context"
	"fmt"
	"slices"
	"time"

	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/intake/internal/check"
	"huskline/services/intake/internal/scale"
	"huskline/services/intake/internal/server/work"
	"huskline/services/intake/internal/visit"
	"huskline/services/intake/internal/weighing"
)

// Reads is what the door lists.
type Reads interface {
	// ScaleStates lists scales by code after one, at most limit.
	ScaleStates(ctx context.Context, after string, limit int) ([]scale.State, error)
	// Checks lists checks, the last recorded first, only of a scale where one is given, before one (0: from the newest), at most limit.
	Checks(ctx context.Context, scale string, before int64, limit int) ([]check.Judged, error)
	// Proposals lists proposals, the last raised first, before one (0: from the newest), at most limit.
	Proposals(ctx context.Context, openOnly bool, before int64, limit int) ([]check.Proposal, error)
	// ProposalDeliveries lists the deliveries that a proposal names by lot code after one, at most limit.
	ProposalDeliveries(ctx context.Context, id, after string, limit int) ([]check.Delivery, error)
	// ProposalReadings lists the readings that a proposal names as ranges after a number, at most limit.
	ProposalReadings(ctx context.Context, id string, after int64, limit int) ([]lot.SequenceRange, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	run   *work.Runner
	reads Reads
	now   func() time.Time
}

// New makes the server. now is the service's clock, by which a scale is silent.
func New(run *work.Runner, reads Reads, now func() time.Time) *Server {
	return &Server{run, reads, now}
}

// RegisterScale adds a scale or changes it from now on.
func (s *Server) RegisterScale(ctx context.Context, req *intakev1.RegisterScaleRequest) (*intakev1.RegisterScaleResponse, error) {
	device, err := scaleOf(req.GetScale())
	if err != nil {
		return nil, err
	}
	return work.Run(ctx, s.run, req, func(ctx context.Context, tx work.Tx) (*intakev1.RegisterScaleResponse, []lot.Event, error) {
		return &intakev1.RegisterScaleResponse{}, nil, scale.Register(ctx, tx, device)
	})
}

func scaleOf(m *intakev1.Scale) (scale.Scale, error) {
	sealed, err := lotwire.ParseTime(m.GetSealedUntil())
	if err != nil {
		return scale.Scale{}, err
	}
	s := scale.Scale{
		Code: m.GetScale(), Class: m.GetAccuracyClass(), Capacity: weight.Mass(m.GetCapacityMicropounds()),
		Division: weight.Mass(m.GetDivisionMicropounds()), Place: m.GetPlace(), InService: m.GetInService(), Sealed: sealed,
		Unit: weight.Unit(m.GetUnit()), Minimum: weight.Mass(m.GetMinimumMicropounds()), Zone: m.GetTimeZone(),
		Silence: time.Duration(m.GetSilentAfterSeconds()) * time.Second,
	}
	for _, r := range m.GetRanges() {
		s.Ranges = append(s.Ranges, scale.Range{Top: weight.Mass(r.GetUpToMicropounds()), Division: weight.Mass(r.GetDivisionMicropounds())})
	}
	for _, h := range m.GetHours() {
		opens, err := timeOfDay(h.GetOpens())
		if err != nil {
			return s, err
		}
		closes, err := timeOfDay(h.GetCloses())
		if err != nil {
			return s, err
		}
		s.Hours = append(s.Hours, scale.Hours{Day: time.Weekday(h.GetWeekday() % sunday), Opens: opens, Closes: closes})
	}
	return s, nil
}

// sunday is 7 in the contract, where Monday is 1, and 0 in Go.
const sunday = 7

func timeOfDay(text string) (time.Duration, error) {
	var hours, minutes int
	if _, err := fmt.Sscanf(text, "%d:%d", &hours, &minutes); err != nil {
		return 0, fault.Invalid("time_of_day_malformed", "time of day %q: it reads like 06:30", text)
	}
	return time.Duration(hours)*time.Hour + time.Duration(minutes)*time.Minute, nil
}

func clockFace(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}

func scaleMessage(s scale.Scale) *intakev1.Scale {
	m := &intakev1.Scale{
		Scale: s.Code, AccuracyClass: s.Class, CapacityMicropounds: int64(s.Capacity), DivisionMicropounds: int64(s.Division),
		Place: s.Place, InService: s.InService, SealedUntil: lotwire.Time(s.Sealed), Unit: string(s.Unit), MinimumMicropounds: int64(s.Minimum),
		TimeZone: s.Zone, SilentAfterSeconds: int64(s.Silence / time.Second),
	}
	for _, r := range s.Ranges {
		m.Ranges = append(m.Ranges, &intakev1.ScaleRange{UpToMicropounds: int64(r.Top), DivisionMicropounds: int64(r.Division)})
	}
	for _, h := range s.Hours {
		day := int32(h.Day)
		if h.Day == time.Sunday {
			day = sunday
		}
		m.Hours = append(m.Hours, &intakev1.ScaleHours{Weekday: day, Opens: clockFace(h.Opens), Closes: clockFace(h.Closes)})
	}
	return m
}

// ListScales lists scales by code with the state of their feeds.
func (s *Server) ListScales(ctx context.Context, req *intakev1.ListScalesRequest) (*intakev1.ListScalesResponse, error) {
	after, err := work.PageAfter(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	rows, err := s.reads.ScaleStates(ctx, after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &intakev1.ListScalesResponse{}
	rows, answer.NextPageToken = page(rows, size, func(s scale.State) string { return s.Code })
	for _, r := range rows {
		answer.Scales = append(answer.Scales, stateMessage(r, s.now()))
	}
	return answer, nil
}

func stateMessage(r scale.State, now time.Time) *intakev1.ScaleState {
	since, silent := r.Silent(now)
	m := &intakev1.ScaleState{
		Watermark: r.Watermark, Stored: r.Stored, Conflicts: r.Conflicts, Scale: scaleMessage(r.Scale), Highest: r.Highest, Missing: r.Missing(),
		Newest: lotwire.Time(r.Newest), Heard: lotwire.Time(r.Heard), LatenessMicros: r.Late.Microseconds(), ReadingsPerHour: r.Rate(now), Refused: r.Refused,
		Silent: silent, SilentSince: lotwire.Time(since), CheckFailed: r.Failed,
	}
	if r.Offset != nil {
		m.ClockOffsetMicros = new(r.Offset.Microseconds())
	}
	for _, f := range r.Faults {
		m.Faults = append(m.Faults, &intakev1.ReadingFault{At: lotwire.Time(f.At), Sequence: f.Sequence, Reason: f.Reason, Message: f.Message})
	}
	return m
}

// ListWeighingRules gives the table of rules. It is the one that is judged by.
func (s *Server) ListWeighingRules(context.Context, *intakev1.ListWeighingRulesRequest) (*intakev1.ListWeighingRulesResponse, error) {
	answer := &intakev1.ListWeighingRulesResponse{Statement: scale.Statement}
	for _, r := range slices.Concat(scale.Rules(), weighing.Rules(), check.Rules(), visit.Rules()) {
		answer.Rules = append(answer.Rules, &intakev1.WeighingRule{
			Name: r.Name, Stage: intakev1.RuleStage(r.Stage), Rule: r.Says, Figure: r.Figure, Effect: intakev1.RuleEffect(r.Effect), Source: r.Source,
			Edition: r.Edition, Basis: intakev1.RuleBasis(r.Basis),
		})
	}
	return answer, nil
}
