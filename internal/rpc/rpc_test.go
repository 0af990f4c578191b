package rpc_test

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"net"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

const service = "huskline.intake.v1.IntakeService"

type stub struct {
	intakev1.UnimplementedIntakeServiceServer
	list func(ctx context.Context) error
}

func (s stub) ListParties(ctx context.Context, _ *intakev1.ListPartiesRequest) (*intakev1.ListPartiesResponse, error) {
	return &intakev1.ListPartiesResponse{}, s.list(ctx)
}

func serve(t *testing.T, cfg rpc.ServerConfig, s stub) func(token string) intakev1.IntakeServiceClient {
	t.Helper()
	cfg.Logger = slog.New(slog.NewTextHandler(io.Discard, nil))
	cfg.Now = time.Now
	server, err := rpc.NewServer(cfg)
	require.NoError(t, err)
	intakev1.RegisterIntakeServiceServer(server, s)
	listener := bufconn.Listen(1 << 16)
	done := make(chan error, 1)
	go func() { done <- server.Serve(listener) }()
	t.Cleanup(func() { server.Stop(); <-done })
	return func(token string) intakev1.IntakeServiceClient {
		conn, err := rpc.Dial(rpc.DialConfig{Target: "x", Token: token, Dialer: func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }})
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		return intakev1.NewIntakeServiceClient(conn)
	}
}

func doors(wait func(context.Context, []lot.Receipt) error) map[string]rpc.Door {
	return map[string]rpc.Door{service: {
		Verify: func(_ context.Context, secret string) (access.Actor, error) {
			if secret != "good" {
				return access.Actor{}, fault.Unauthenticated("token_refused", "token refused")
			}
			return access.Actor{Name: "clerk", Roles: []access.Role{access.Auditor}}, nil
		},
		Wait: wait,
	}}
}

func TestWhoMayCall(t *testing.T) {
	t.Parallel()
	dial := serve(t, rpc.ServerConfig{Doors: doors(nil)}, stub{list: func(ctx context.Context) error {
		if got := access.ActorOf(ctx).Name; got != "clerk" {
			return fault.Bug("actor %q", got)
		}
		return nil
	}})
	ctx := t.Context()
	_, err := dial("good").ListParties(ctx, &intakev1.ListPartiesRequest{})
	require.NoError(t, err)
	_, err = dial("bad").ListParties(ctx, &intakev1.ListPartiesRequest{})
	require.Equal(t, codes.Unauthenticated, status.Code(err))
	_, err = dial("good").RecordDelivery(ctx, &intakev1.RecordDeliveryRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "an auditor looks and does not touch")
}

func TestFormIsJudged(t *testing.T) {
	t.Parallel()
	dial := serve(t, rpc.ServerConfig{Doors: doors(nil)}, stub{})
	_, err := dial("good").ListParties(t.Context(), &intakev1.ListPartiesRequest{PageSize: 1001})
	err = rpc.FromStatus(err)
	require.Equal(t, "form", fault.ReasonOf(err))
	require.ErrorContains(t, err, "page_size")
}

// Every kind and its reason survive the wire; what is no fault leaks no text.
func TestFaultsOverTheWire(t *testing.T) {
	t.Parallel()
	var answer error
	dial := serve(t, rpc.ServerConfig{Peer: lot.Production}, stub{list: func(context.Context) error { return answer }})
	client := dial("")
	_, err := client.ListParties(t.Context(), &intakev1.ListPartiesRequest{})
	require.Equal(t, codes.PermissionDenied, status.Code(err), "a peer has no business here")

	dial = serve(t, rpc.ServerConfig{Doors: doors(nil)}, stub{list: func(context.Context) error { return answer }})
	client = dial("good")
	for _, want := range []error{
		fault.Invalid("a", "a"), fault.NotFound("b", "b"), fault.Conflict("c", "c"), fault.Precondition("d", "d"),
		fault.Denied("e", "e"), fault.Unauthenticated("f", "f"),
	} {
		answer = want
		_, err := client.ListParties(t.Context(), &intakev1.ListPartiesRequest{})
		got := rpc.FromStatus(err)
		require.Equal(t, fault.KindOf(want), fault.KindOf(got))
		require.Equal(t, fault.ReasonOf(want), fault.ReasonOf(got))
	}
	for _, hidden := range []error{errors.New("password of the database"), fault.Bug("sum is off")} {
		answer = hidden
		_, err := client.ListParties(t.Context(), &intakev1.ListPartiesRequest{})
		require.Equal(t, codes.Internal, status.Code(err))
		require.NotContains(t, err.Error(), hidden.Error())
	}
}

func TestPanicIsAnswered(t *testing.T) {
	t.Parallel()
	dial := serve(t, rpc.ServerConfig{Doors: doors(nil)}, stub{list: func(context.Context) error { panic("at the scale") }})
	_, err := dial("good").ListParties(t.Context(), &intakev1.ListPartiesRequest{})
	require.Equal(t, codes.Internal, status.Code(err))
}

func TestReceiptsAreWaitedFor(t *testing.T) {
	t.Parallel()
	var waited []lot.Receipt
	wait := func(_ context.Context, r []lot.Receipt) error { waited = r; return nil }
	dial := serve(t, rpc.ServerConfig{Doors: doors(wait)}, stub{list: func(ctx context.Context) error {
		if len(rpc.ReceiptsOf(ctx)) != 1 {
			return fault.Bug("receipts lost")
		}
		return nil
	}})
	want := lot.Receipt{Producer: lot.Inventory, Epoch: 2, Position: 7}
	_, err := dial("good").ListParties(rpc.WithReceipts(t.Context(), want), &intakev1.ListPartiesRequest{})
	require.NoError(t, err)
	require.Equal(t, []lot.Receipt{want}, waited)
	for _, text := range []string{"", "a", "a/1", "a/0/1", "a/1/-1", "/1/1", "a/1/1/1"} {
		_, err := rpc.ParseReceipt(text)
		require.Equal(t, "receipt_malformed", fault.ReasonOf(err), text)
	}
}
