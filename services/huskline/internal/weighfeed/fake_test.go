package weighfeed

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// intake answers readings as the contract says, by (scale, sequence): first stored, then repeated, other digits in conflict, no digits refused.
// With breakAfter set, a stream ends as unavailable after that many answers.
type intake struct {
	intakev1.UnimplementedIntakeServiceServer
	breakAfter int

	mu      sync.Mutex
	kept    map[string]string
	batches map[string]*intakev1.StreamReadingsResponse
	streams int
	sizes   []int
}

func (f *intake) StreamReadings(s grpc.BidiStreamingServer[intakev1.StreamReadingsRequest, intakev1.StreamReadingsResponse]) error {
	f.mu.Lock()
	f.streams++
	f.mu.Unlock()
	for n := 0; ; n++ {
		if f.breakAfter > 0 && n == f.breakAfter {
			return status.Error(codes.Unavailable, "going away")
		}
		req, err := s.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		if err := s.Send(f.answer(req)); err != nil {
			return err
		}
	}
}

func (f *intake) answer(req *intakev1.StreamReadingsRequest) *intakev1.StreamReadingsResponse {
	f.mu.Lock()
	defer f.mu.Unlock()
	if a := f.batches[req.GetCommandId()]; a != nil {
		return a
	}
	a := &intakev1.StreamReadingsResponse{CommandId: req.GetCommandId()}
	f.sizes = append(f.sizes, len(req.GetReadings()))
	for i, r := range req.GetReadings() {
		x := &intakev1.ReadingAnswer{Index: int32(i)}
		key := fmt.Sprintf("%s/%d", r.GetScale(), r.GetSequence())
		had, seen := f.kept[key]
		switch {
		case r.GetDigits() == "":
			x.Outcome, x.Reason, x.Message = intakev1.ReadingOutcome_READING_OUTCOME_REFUSED, "number_empty", "no digits"
		case !seen:
			f.kept[key] = r.GetDigits()
			a.Stored++
			continue
		case had == r.GetDigits():
			x.Outcome = intakev1.ReadingOutcome_READING_OUTCOME_REPEATED
		default:
			x.Outcome, x.Reason, x.Message = intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT, "reading_conflict", "other digits"
		}
		a.Exceptions = append(a.Exceptions, x)
	}
	f.batches[req.GetCommandId()] = a
	return a
}

// serve starts a fake and gives a posting to it.
func serve(t *testing.T, f *intake) Config {
	t.Helper()
	f.kept, f.batches = map[string]string{}, map[string]*intakev1.StreamReadingsResponse{}
	listener := bufconn.Listen(1 << 20)
	server := grpc.NewServer()
	intakev1.RegisterIntakeServiceServer(server, f)
	go func() { _ = server.Serve(listener) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:///fake", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return listener.DialContext(ctx) }))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	return Config{
		Stream: Stream{Intake: intakev1.NewIntakeServiceClient(conn), Window: 1,
			Patience: Patience{Now: time.Now, Call: 10 * time.Second, All: 20 * time.Second}},
		NewID: uuid.NewString,
	}
}

// unreachable is a client of a service that is not there.
func unreachable(t *testing.T) intakev1.IntakeServiceClient {
	t.Helper()
	conn, err := grpc.NewClient("passthrough:///nowhere", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return nil, errors.New("nobody listens") }))
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, conn.Close()) })
	return intakev1.NewIntakeServiceClient(conn)
}
