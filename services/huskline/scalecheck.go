package main

import (
	"fmt"
	"strings"

	"github.com/google/uuid"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

type scaleCheckCmd struct {
	Scale   string   `arg:"" help:"Code of the scale."`
	Loads   []string `arg:"" help:"Test weights and what the scale showed with them: APPLIED=INDICATED, such as 10000=10020."`
	Kind    string   `help:"Which tolerance: ${enum}." enum:"maintenance,acceptance" default:"maintenance"`
	Unit    string   `help:"Unit of all figures: ${enum}." enum:"LBR,KGM,ONZ,STN" default:"LBR"`
	At      string   `help:"When it was done (RFC 3339 with zone); left out: now." placeholder:"TIME"`
	By      string   `help:"Who did it; left out: whose token it is." placeholder:"NAME"`
	Weights string   `help:"Which test weights, with their certificate." placeholder:"TEXT"`
}

// checkObject is a check as programs read it; all figures are in its unit.
type checkObject struct {
	Check     string         `json:"check"`
	Scale     string         `json:"scale"`
	Kind      string         `json:"kind"`
	Unit      string         `json:"unit"`
	Passed    bool           `json:"passed"`
	LoadShort bool           `json:"load_short"`
	Effective string         `json:"effective"`
	By        string         `json:"by"`
	Weights   string         `json:"weights"`
	Results   []resultObject `json:"results"`
}

type resultObject struct {
	Applied   string `json:"applied"`
	Indicated string `json:"indicated"`
	Error     string `json:"error"`
	Tolerance string `json:"tolerance"`
	Divisions string `json:"tolerance_divisions"`
	Passed    bool   `json:"passed"`
}

func checkObjectOf(c *intakev1.ScaleCheck) checkObject {
	o := checkObject{
		c.GetCheck(), c.GetScale(), word(c.GetKind().String(), "SCALE_CHECK_KIND_"), c.GetUnit(), c.GetPassed(), c.GetLoadShort(), printTime(c.GetEffective()),
		c.GetBy(), c.GetWeights(), []resultObject{},
	}
	for _, r := range c.GetResults() {
		o.Results = append(o.Results, resultObject{
			r.GetApplied(), r.GetIndicated(), r.GetError(), r.GetTolerance(), r.GetToleranceDivisions(), r.GetPassed(),
		})
	}
	return o
}

func verdict(passed bool) string {
	if passed {
		return "passed"
	}
	return "failed"
}

func checkSheet(o checkObject) sheet {
	columns := []string{"applied " + o.Unit, "indicated", "error", "tolerance", "in divisions", "verdict"}
	sh := sheet{title: "Check of scale " + o.Scale + ", " + o.Kind + ", " + o.Effective + ": " + verdict(o.Passed), columns: columns, numeric: numericColumns(columns[:5]...)}
	for _, r := range o.Results {
		sh.rows = append(sh.rows, []string{r.Applied, r.Indicated, r.Error, r.Tolerance, r.Divisions, verdict(r.Passed)})
	}
	return sh
}

// Run records the check. One that failed is recorded too, and exits as refused, so that a script sees it.
func (c *scaleCheckCmd) Run(s *session) error {
	req, err := c.request(s)
	if err != nil {
		return err
	}
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	got, err := p.intake.RecordScaleCheck(s.ctx, req)
	if err != nil {
		return rpc.FromStatus(err)
	}
	object := struct {
		checkObject
		InService bool            `json:"in_service"`
		Proposal  *proposalObject `json:"proposal"`
	}{checkObjectOf(got.GetCheck()), got.GetInService(), nil}
	sheets := []sheet{checkSheet(object.checkObject)}
	if got.GetProposal() != nil {
		o := proposalObjectOf(got.GetProposal())
		object.Proposal = &o
		sheets = append(sheets, proposalSheet([]proposalObject{o}))
	}
	sheets[len(sheets)-1].note = supports
	if err := s.print(answer{object: object, sheets: sheets}); err != nil {
		return err
	}
	if !object.Passed {
		return fault.Precondition("check_failed", "scale %s failed its check", c.Scale)
	}
	return nil
}

func (c *scaleCheckCmd) request(s *session) (*intakev1.RecordScaleCheckRequest, error) {
	at, err := parseTime("--at", c.At)
	if err != nil {
		return nil, err
	}
	if at == nil {
		at = timestamppb.New(s.now())
	}
	kind := intakev1.ScaleCheckKind_SCALE_CHECK_KIND_MAINTENANCE
	if c.Kind == "acceptance" {
		kind = intakev1.ScaleCheckKind_SCALE_CHECK_KIND_ACCEPTANCE
	}
	req := &intakev1.RecordScaleCheckRequest{
		CommandId: uuid.NewString(), Scale: c.Scale, Kind: kind, Unit: c.Unit, Effective: at, By: c.By, Weights: c.Weights,
	}
	for _, text := range c.Loads {
		applied, indicated, found := strings.Cut(text, "=")
		if !found {
			return nil, usageError{fmt.Errorf("load %q: it reads APPLIED=INDICATED, such as 10000=10020", text)}
		}
		req.Loads = append(req.Loads, &intakev1.TestLoad{Applied: applied, Indicated: indicated})
	}
	return req, nil
}

type scaleChecksCmd struct {
	Scale string `arg:"" optional:"" help:"Only of this scale."`
}

// Run lists checks, the last recorded first.
func (c *scaleChecksCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	objects := []checkObject{}
	sh := sheet{columns: []string{"scale", "done", "kind", "verdict", "by", "largest error", "unit", "check"}, numeric: numericColumns("largest error"), note: supports}
	for page := ""; ; {
		got, err := p.intake.ListScaleChecks(s.ctx, &intakev1.ListScaleChecksRequest{Scale: c.Scale, PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, one := range got.GetChecks() {
			o := checkObjectOf(one)
			objects = append(objects, o)
			sh.rows = append(sh.rows, []string{o.Scale, o.Effective, o.Kind, verdict(o.Passed), o.By, largestError(o.Results), o.Unit, o.Check})
		}
		if page = got.GetNextPageToken(); page == "" {
			return s.print(answer{object: objects, sheets: []sheet{sh}})
		}
	}
}

// largestError is the error that is farthest from zero; texts of plain decimals are compared by length of the whole part, then letter by letter.
func largestError(results []resultObject) string {
	largest := "0"
	for _, r := range results {
		a, b := strings.TrimPrefix(r.Error, "-"), strings.TrimPrefix(largest, "-")
		wholeA, _, _ := strings.Cut(a, ".")
		wholeB, _, _ := strings.Cut(b, ".")
		if len(wholeA) > len(wholeB) || len(wholeA) == len(wholeB) && a > b {
			largest = r.Error
		}
	}
	return largest
}

type scaleProposalsCmd struct {
	All bool `help:"Those that are decided too."`
}

// proposalObject is a proposal as programs read it.
type proposalObject struct {
	Proposal   string `json:"proposal"`
	Scale      string `json:"scale"`
	Since      string `json:"since"`
	Until      string `json:"until"`
	Failed     string `json:"failed"`
	Readings   int64  `json:"readings"`
	Deliveries int64  `json:"deliveries"`
	State      string `json:"state"`
	DecidedBy  string `json:"decided_by"`
	Decided    string `json:"decided"`
	Reason     string `json:"reason"`
}

func proposalObjectOf(p *intakev1.CorrectionProposal) proposalObject {
	return proposalObject{
		p.GetProposal(), p.GetScale(), printTime(p.GetSince()), printTime(p.GetUntil()), printTime(p.GetFailed()), p.GetReadings(), p.GetDeliveries(),
		word(p.GetState().String(), "PROPOSAL_STATE_"), p.GetDecidedBy(), printTime(p.GetDecided()), p.GetReason(),
	}
}

func proposalSheet(objects []proposalObject) sheet {
	sh := sheet{
		title:   "What scales weighed between a good check and a failed one; nothing is changed by it",
		columns: []string{"scale", "good", "failed", "good again", "readings", "deliveries", "state", "decided by", "reason", "proposal"},
		numeric: numericColumns("readings", "deliveries"),
	}
	for _, o := range objects {
		since := o.Since
		if since == "" {
			since = "never"
		}
		sh.rows = append(sh.rows, []string{
			o.Scale, since, o.Failed, o.Until, itoa(o.Readings), itoa(o.Deliveries), o.State, o.DecidedBy, o.Reason, o.Proposal,
		})
	}
	return sh
}

// Run lists what failed checks proposed to correct.
func (c *scaleProposalsCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	objects := []proposalObject{}
	for page := ""; ; {
		got, err := p.intake.ListCorrectionProposals(s.ctx, &intakev1.ListCorrectionProposalsRequest{OpenOnly: !c.All, PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, one := range got.GetProposals() {
			objects = append(objects, proposalObjectOf(one))
		}
		if page = got.GetNextPageToken(); page == "" {
			break
		}
	}
	sh := proposalSheet(objects)
	sh.note = supports
	return s.print(answer{object: objects, sheets: []sheet{sh}})
}

type scaleDoubtCmd struct {
	Proposal string `arg:"" help:"Id of the proposal."`
}

// Run lists the deliveries and readings that a proposal names.
func (c *scaleDoubtCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	type delivery struct {
		Lot     string `json:"lot"`
		Version int64  `json:"version"`
		Later   bool   `json:"later"`
	}
	type numbers struct {
		First int64 `json:"first"`
		Last  int64 `json:"last"`
	}
	object := struct {
		Deliveries []delivery `json:"deliveries"`
		Readings   []numbers  `json:"readings"`
	}{[]delivery{}, []numbers{}}
	lots := sheet{title: "Deliveries", columns: []string{"lot", "version", "recorded"}, numeric: numericColumns("version")}
	for page := ""; ; {
		got, err := p.intake.ListProposalDeliveries(s.ctx, &intakev1.ListProposalDeliveriesRequest{Proposal: c.Proposal, PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, d := range got.GetDeliveries() {
			object.Deliveries = append(object.Deliveries, delivery{d.GetLot(), d.GetVersion(), d.GetLater()})
			lots.rows = append(lots.rows, []string{d.GetLot(), itoa(d.GetVersion()), map[bool]string{true: "later", false: "before it failed"}[d.GetLater()]})
		}
		if page = got.GetNextPageToken(); page == "" {
			break
		}
	}
	ranges := sheet{title: "Readings", columns: []string{"first", "last"}, numeric: numericColumns("first", "last"), note: supports}
	for page := ""; ; {
		got, err := p.intake.ListProposalReadings(s.ctx, &intakev1.ListProposalReadingsRequest{Proposal: c.Proposal, PageSize: 1000, PageToken: page})
		if err != nil {
			return rpc.FromStatus(err)
		}
		for _, r := range got.GetRanges() {
			object.Readings = append(object.Readings, numbers{r.GetFirst(), r.GetLast()})
			ranges.rows = append(ranges.rows, []string{itoa(r.GetFirst()), itoa(r.GetLast())})
		}
		if page = got.GetNextPageToken(); page == "" {
			return s.print(answer{object: object, sheets: []sheet{lots, ranges}})
		}
	}
}

type scaleDecideCmd struct {
	Proposal string `arg:"" help:"Id of the proposal."`
	Decision string `arg:"" help:"What is decided: approve or reject." enum:"approve,reject"`
	Reason   string `required:"" help:"Why."`
}

// Run decides about a proposal. No delivery is changed by it.
func (c *scaleDecideCmd) Run(s *session) error {
	p, err := s.dial()
	if err != nil {
		return err
	}
	defer p.close()
	got, err := p.intake.DecideCorrectionProposal(s.ctx, &intakev1.DecideCorrectionProposalRequest{
		CommandId: uuid.NewString(), Proposal: c.Proposal, Approve: c.Decision == "approve", Reason: c.Reason,
	})
	if err != nil {
		return rpc.FromStatus(err)
	}
	o := proposalObjectOf(got.GetProposal())
	sh := proposalSheet([]proposalObject{o})
	sh.note = supports
	return s.print(answer{object: o, sheets: []sheet{sh}})
}
