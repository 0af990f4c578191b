package intake_test

import (
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	intakev1 "huskline/proto/huskline/intake/v1"
)

func checkOf(scale string, at time.Time, kind intakev1.ScaleCheckKind, indicated string) *intakev1.RecordScaleCheckRequest {
	return &intakev1.RecordScaleCheckRequest{
		CommandId: id(), Scale: scale, Kind: kind, Unit: "LBR", Effective: timestamppb.New(at), Weights: "set 4, certificate 17",
		Loads: []*intakev1.TestLoad{{Applied: "0", Indicated: "0"}, {Applied: "25000", Indicated: indicated}},
	}
}

const (
	maintenance = intakev1.ScaleCheckKind_SCALE_CHECK_KIND_MAINTENANCE
	acceptance  = intakev1.ScaleCheckKind_SCALE_CHECK_KIND_ACCEPTANCE
)

func (g *gate) check(req *intakev1.RecordScaleCheckRequest) *intakev1.RecordScaleCheckResponse {
	g.t.Helper()
	answer, err := g.client.RecordScaleCheck(g.t.Context(), req)
	require.NoError(g.t, err)
	return answer
}

func (g *gate) inService(scale string) bool {
	g.t.Helper()
	page, err := g.client.ListScales(g.t.Context(), &intakev1.ListScalesRequest{})
	require.NoError(g.t, err)
	for _, s := range page.GetScales() {
		if s.GetScale().GetScale() == scale {
			return s.GetScale().GetInService()
		}
	}
	g.t.Fatalf("scale %s is not listed", scale)
	return false
}

// weighedAt is a reading of a truck with goods at a time.
func weighedAt(scale string, n int64, at time.Time) *intakev1.Reading {
	r := line(scale, n, "48020")
	r.Time = timestamppb.New(at)
	return r
}

// A failed check takes the scale out of service, names all that was weighed since the last good one and no more, also what is recorded only later,
// and changes nothing until, and after, a person has decided. It catches a window that is open at the wrong end, a scale left in service, a
// delivery on another scale named, and a proposal that loses what came after it.
func TestFailedCheck(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	g.scale(truck("W"))
	g.scale(truck("V"))
	g.check(checkOf("W", day(5, 6), maintenance, "25040"))
	g.post(g.client, weighedAt("W", 1, day(4, 12)), weighedAt("W", 2, day(5, 6)), weighedAt("W", 3, day(5, 7)), weighedAt("W", 4, day(6, 7)),
		weighedAt("W", 6, day(6, 9)), weighedAt("V", 1, day(6, 7)))
	before := delivered("D-0")
	before.Effective = timestamppb.New(day(4, 13))
	before.Delivery.Weighings[0].Scale = "W"
	g.record(before)
	g.record(onScale("D-1", "W", 3))
	g.record(onScale("D-2", "V", 1))
	voided := onScale("D-4", "W", 6)
	g.record(voided)
	_, err := g.client.VoidDelivery(ctx, &intakev1.VoidDeliveryRequest{CommandId: id(), Lot: "D-4", Reason: "never came"})
	require.NoError(t, err)

	failed := g.check(checkOf("W", day(7, 6), maintenance, "25100"))
	want := &intakev1.TestResult{Applied: "25000", Indicated: "25100", Error: "100", Tolerance: "60", ToleranceDivisions: "3"}
	if diff := cmp.Diff(want, failed.GetCheck().GetResults()[1], protocmp.Transform()); diff != "" {
		t.Errorf("result (-want +got):\n%s", diff)
	}
	p := failed.GetProposal()
	require.Equal(t, []any{false, int64(3), int64(1)}, []any{failed.GetInService(), p.GetReadings(), p.GetDeliveries()})
	require.Equal(t, day(5, 6), p.GetSince().AsTime())
	require.False(t, g.inService("W"))
	_, refused := g.post(g.client, weighedAt("W", 7, day(7, 7)))
	require.Equal(t, counts{Refused: 1, Watermark: 4}, refused)
	late, _ := g.post(g.client, weighedAt("W", 5, day(6, 8)))
	require.Equal(t, []string{"weighed_before_failure"}, late.GetMarked()[0].GetMarks())
	g.record(onScale("D-3", "W", 5))

	require.Equal(t, []string{"D-1", "D-3 later"}, g.inDoubt(p.GetProposal()))
	ranges, err := g.client.ListProposalReadings(ctx, &intakev1.ListProposalReadingsRequest{Proposal: p.GetProposal()})
	require.NoError(t, err)
	if diff := cmp.Diff([]*intakev1.ReadingRange{{First: 3, Last: 6}}, ranges.GetRanges(), protocmp.Transform()); diff != "" {
		t.Errorf("readings in doubt (-want +got):\n%s", diff)
	}
	g.decided(p.GetProposal())
}

// decided approves a proposal once, after which it stays as it was.
func (g *gate) decided(proposal string) {
	g.t.Helper()
	ctx := g.t.Context()
	before := g.state()
	open, err := g.client.ListCorrectionProposals(ctx, &intakev1.ListCorrectionProposalsRequest{OpenOnly: true})
	require.NoError(g.t, err)
	require.Len(g.t, open.GetProposals(), 1)
	decide := &intakev1.DecideCorrectionProposalRequest{CommandId: id(), Proposal: proposal, Approve: true, Reason: "weighed again on V"}
	answer, err := g.client.DecideCorrectionProposal(ctx, decide)
	require.NoError(g.t, err)
	require.Equal(g.t, intakev1.ProposalState_PROPOSAL_STATE_APPROVED, answer.GetProposal().GetState())
	require.Equal(g.t, "anna", answer.GetProposal().GetDecidedBy())
	if diff := cmp.Diff(before, g.state(), protocmp.Transform()); diff != "" {
		g.t.Errorf("a decision changed (-before +after):\n%s", diff)
	}
	decide.CommandId = id()
	_, err = g.client.DecideCorrectionProposal(ctx, decide)
	want(g.t.(*testing.T), err, "proposal_decided")
	decide.CommandId, decide.Proposal = id(), id()
	_, err = g.client.DecideCorrectionProposal(ctx, decide)
	want(g.t.(*testing.T), err, "proposal_unknown")
	g.record(onScale("D-9", "W", 4))
	require.Equal(g.t, []string{"D-1", "D-3 later"}, g.inDoubt(proposal), "what was decided on")
	open, err = g.client.ListCorrectionProposals(ctx, &intakev1.ListCorrectionProposalsRequest{OpenOnly: true})
	require.NoError(g.t, err)
	require.Empty(g.t, open.GetProposals())
}

// onScale is a delivery whose gross is a stored reading.
func onScale(lot, scale string, sequence int64) *intakev1.RecordDeliveryRequest {
	d := delivered(lot)
	d.Delivery.Weighings[0] = &intakev1.Weighing{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Scale: scale, Sequence: sequence}
	return d
}

func (g *gate) inDoubt(proposal string) (lots []string) {
	g.t.Helper()
	for page := ""; ; {
		got, err := g.client.ListProposalDeliveries(g.t.Context(), &intakev1.ListProposalDeliveriesRequest{Proposal: proposal, PageSize: 1, PageToken: page})
		require.NoError(g.t, err)
		for _, d := range got.GetDeliveries() {
			text := d.GetLot()
			if d.GetLater() {
				text += " later"
			}
			lots = append(lots, text)
		}
		if page = got.GetNextPageToken(); page == "" {
			return lots
		}
	}
}

// A scale that failed comes into service again by a good check to the acceptance tolerance, and by nothing else; one that was out for another reason
// stays out.
func TestRepairedScale(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	ctx := t.Context()
	out := truck("V")
	out.InService = false
	g.scale(truck("W"))
	g.scale(out)
	for _, code := range []string{"W", "V"} {
		g.check(checkOf(code, day(7, 6), maintenance, "25100"))
	}
	_, err := g.client.RegisterScale(ctx, &intakev1.RegisterScaleRequest{CommandId: id(), Scale: truck("W")})
	want(t, err, "check_failed_stands")
	_, err = g.client.RecordScaleCheck(ctx, checkOf("W", day(7, 9), maintenance, "25000"))
	want(t, err, "acceptance_required")
	again := g.check(checkOf("W", day(7, 9), acceptance, "25040"))
	require.Equal(t, []bool{false, false}, []bool{again.GetCheck().GetPassed(), again.GetInService()}, "40 lb are over half of 60 lb")
	require.Nil(t, again.GetProposal(), "nothing was weighed since")
	repaired := checkOf("W", day(7, 10), acceptance, "25020")
	require.True(t, g.check(repaired).GetInService())
	require.True(t, g.check(repaired).GetInService(), "the same command again")
	require.False(t, g.check(checkOf("V", day(7, 10), acceptance, "25000")).GetInService())
	require.True(t, g.inService("W"))
	require.False(t, g.inService("V"))
	_, got := g.post(g.client, weighedAt("W", 1, day(7, 11)))
	require.EqualValues(t, 1, got.Stored)
	checks, err := g.client.ListScaleChecks(ctx, &intakev1.ListScaleChecksRequest{Scale: "W", PageSize: 2})
	require.NoError(t, err)
	require.Len(t, checks.GetChecks(), 2)
	_, err = g.client.ListScaleChecks(ctx, &intakev1.ListScaleChecksRequest{Scale: "NOPE"})
	want(t, err, "scale_unknown") // an empty list would say that it has no check
	rest, err := g.client.ListScaleChecks(ctx, &intakev1.ListScaleChecksRequest{Scale: "W", PageSize: 2, PageToken: checks.GetNextPageToken()})
	require.NoError(t, err)
	require.Len(t, rest.GetChecks(), 1)
	require.Equal(t, "anna", rest.GetChecks()[0].GetBy())
	require.Equal(t, "set 4, certificate 17", rest.GetChecks()[0].GetWeights())
	_, err = g.as("post").RecordScaleCheck(ctx, checkOf("W", day(7, 12), maintenance, "25000"))
	want(t, err, "role_missing")
}
