package main

import (
	"context"
	"encoding/json"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// scaleHouse answers for visits: one visit is open, one keyed weight has no reading, ticket 1 may be printed again.
type scaleHouse struct {
	intakev1.UnimplementedVisitServiceServer
	reprints []string
}

func (h *scaleHouse) ListVisits(_ context.Context, req *intakev1.ListVisitsRequest) (*intakev1.ListVisitsResponse, error) {
	at := timestamppb.New(time.Date(2025, 11, 3, 7, 0, 0, 0, time.UTC))
	open := &intakev1.Visit{Visit: 8, Plate: "T2", Open: true, Opened: at, Weighings: []*eventv1.VisitWeighed{{}}}
	if req.GetOpenOnly() {
		return &intakev1.ListVisitsResponse{Visits: []*intakev1.Visit{open}}, nil
	}
	if req.GetPageToken() == "" {
		return &intakev1.ListVisitsResponse{NextPageToken: "more", Visits: []*intakev1.Visit{{
			Visit: 7, Plate: "T1", Party: "S1", Opened: at, Weighings: []*eventv1.VisitWeighed{{}, {}}, Lines: []*intakev1.VisitLine{
				{Line: 1, NetMicropounds: 22_020_000_000, Lot: "D-1", Draft: eventv1.DraftKind_DRAFT_KIND_ENDS, Keyed: true},
			},
		}}}, nil
	}
	return &intakev1.ListVisitsResponse{Visits: []*intakev1.Visit{open}}, nil
}

func (h *scaleHouse) ListKeyedWeights(context.Context, *intakev1.ListKeyedWeightsRequest) (*intakev1.ListKeyedWeightsResponse, error) {
	return &intakev1.ListKeyedWeightsResponse{Weights: []*intakev1.KeyedWeight{{
		Weight: &eventv1.WeightKeyed{Keyed: 3, Scale: "W1", Ticket: "A-7", Micropounds: 26_000_000_000}, Visit: 8,
	}}}, nil
}

func (h *scaleHouse) ReprintTicket(_ context.Context, req *intakev1.ReprintTicketRequest) (*intakev1.ReprintTicketResponse, error) {
	h.reprints = append(h.reprints, req.GetReason())
	return &intakev1.ReprintTicketResponse{Count: int64(len(h.reprints))}, nil
}

func (h *scaleHouse) GetTicket(_ context.Context, req *intakev1.GetTicketRequest) (*intakev1.GetTicketResponse, error) {
	if req.GetNumber() != 1 {
		return nil, rpc.ToStatus(fault.NotFound("ticket_unknown", "ticket %s-%d: there is none of this number", req.GetSeries(), req.GetNumber()))
	}
	return &intakev1.GetTicketResponse{
		Text: "WEIGH TICKET W-000001\n", Ticket: &intakev1.Ticket{Ticket: &eventv1.TicketIssued{Series: "W", Number: 1, NetMicropounds: 5}},
	}, nil
}

func (h *scaleHouse) open(t *testing.T) (addr string) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	server := grpc.NewServer()
	intakev1.RegisterVisitServiceServer(server, h)
	done := make(chan error, 1)
	go func() { done <- server.Serve(l) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return l.Addr().String()
}

// Pages are read to the end, marks are told, and what the day leaves open stands on two sheets.
func TestVisitsAreListed(t *testing.T) {
	t.Parallel()
	addr := new(scaleHouse).open(t)
	text := mustPrint(t, "--addr", addr, "--token", "x", "visits")
	for _, want := range []string{"22,020.000", "one end after the other: prices no purchase, keyed", "T2", "replaces neither"} {
		require.Contains(t, text, want)
	}
	text = mustPrint(t, "--addr", addr, "--token", "x", "visits", "--open")
	for _, want := range []string{"OPEN VISITS", "T2", "KEYED WEIGHTS WITHOUT A READING", "A-7", "26,000.000", "replaces neither"} {
		require.Contains(t, text, want)
	}
	require.NotContains(t, text, "T1")
	var o struct {
		Visits []visitObject `json:"visits"`
		Keyed  []keyedObject `json:"keyed_weights"`
	}
	require.NoError(t, json.Unmarshal([]byte(mustPrint(t, "--addr", addr, "--token", "x", "--format", "json", "visits", "--open")), &o))
	require.Len(t, o.Visits, 1)
	require.Equal(t, json.Number("26000.0"), o.Keyed[0].Weight)
}

func TestTicketIsPrinted(t *testing.T) {
	t.Parallel()
	h := new(scaleHouse)
	addr := h.open(t)
	require.Equal(t, "WEIGH TICKET W-000001\n", mustPrint(t, "--addr", addr, "--token", "x", "ticket", "1"))
	require.Empty(t, h.reprints, "to look at a ticket is not to print it again")
	mustPrint(t, "--addr", addr, "--token", "x", "ticket", "1", "--reprint", "the driver lost it")
	require.Equal(t, []string{"the driver lost it"}, h.reprints)
	require.Contains(t, mustPrint(t, "--addr", addr, "--token", "x", "--format", "json", "ticket", "1"), `"net_micropounds"`)
	require.Equal(t, exitRefused, command(t, "--addr", addr, "--token", "x", "ticket", "2").Code)
}
