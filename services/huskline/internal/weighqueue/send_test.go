package weighqueue

import (
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/metadata"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// intake answers as the plant does: by command id from its record, by (scale, number) else. With lose set, the answer to every other batch is lost after it
// was stored; with picky set, a batch that holds a weight of 666 is refused as a whole.
type intake struct {
	intakev1.IntakeServiceClient
	mu      sync.Mutex
	stored  map[int64]string
	answers map[string]*intakev1.PostReadingsResponse
	twice   int // readings that came again under another id
	lose    bool
	picky   bool
	unknown bool // every reading is refused
	gone    bool // because a person put it aside for good
	calls   int
	clock   string // what the sender's clock was said to be
}

func (f *intake) PostReadings(ctx context.Context, req *intakev1.PostReadingsRequest, _ ...grpc.CallOption) (*intakev1.PostReadingsResponse, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.calls++
	md, _ := metadata.FromOutgoingContext(ctx)
	f.clock = strings.Join(md.Get(rpc.ClockHeader), ",")
	if a := f.answers[req.GetCommandId()]; a != nil {
		return a, nil
	}
	if f.picky && slices.ContainsFunc(req.GetReadings(), func(r *intakev1.Reading) bool { return r.GetDigits() == "666" }) {
		return nil, fault.Invalid("batch_refused", "not this one")
	}
	a := &intakev1.PostReadingsResponse{}
	for i, r := range req.GetReadings() {
		if f.gone {
			a.Exceptions = append(a.Exceptions, &intakev1.ReadingAnswer{Index: int32(i), Outcome: intakev1.ReadingOutcome_READING_OUTCOME_REFUSED, Reason: "reading_discarded", Message: "by a person"})
			continue
		}
		if f.unknown {
			a.Exceptions = append(a.Exceptions, &intakev1.ReadingAnswer{Index: int32(i), Outcome: intakev1.ReadingOutcome_READING_OUTCOME_REFUSED, Reason: "scale_unknown", Message: "not registered"})
			continue
		}
		if had, there := f.stored[r.GetSequence()]; there {
			f.twice++
			x := &intakev1.ReadingAnswer{Index: int32(i), Outcome: intakev1.ReadingOutcome_READING_OUTCOME_REPEATED}
			if had != r.GetDigits() {
				x.Outcome, x.Reason = intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT, "sequence_taken"
			}
			a.Exceptions = append(a.Exceptions, x)
			continue
		}
		f.stored[r.GetSequence()] = r.GetDigits()
	}
	f.answers[req.GetCommandId()] = a
	if f.lose && f.calls%2 == 1 {
		return nil, fault.Unavailable("lost", "the answer is lost")
	}
	return a, nil
}

func sender(q *Queue, f *intake) (*Sender, map[Outcome]int) {
	f.stored, f.answers = map[int64]string{}, map[string]*intakev1.PostReadingsResponse{}
	told := map[Outcome]int{}
	return &Sender{
		Queue: q, Intake: func() (intakev1.IntakeServiceClient, error) { return f, nil }, NewID: uuid.NewString, Call: time.Second,
		Each: func(t Told) { told[t.Outcome]++ }, Away: func(error) {},
	}, told
}

// Catches: a batch sent again under another id after its answer was lost, also over a restart in between.
func TestLostAnswers(t *testing.T) {
	t.Parallel()
	q := begun(t, 10)
	f := &intake{lose: true}
	s, _ := sender(q, f)
	require.Error(t, s.Drain(t.Context()))
	q = reopened(t, q)
	s.Queue = q
	told := map[Outcome]int{}
	s.Each = func(t Told) { told[t.Outcome]++ }
	require.NoError(t, s.Drain(t.Context()))
	if f.twice != 0 || len(f.stored) != 10 || told[Stored] != 10 {
		t.Errorf("%d came again under another id, %d stored, told %v; want 0, 10 and 10", f.twice, len(f.stored), told)
	}
	if got := q.Totals(); got.Waiting+got.Aside != 0 {
		t.Errorf("%+v remains", got)
	}
}

// Catches: a batch that does not tell the clock beside the scale, or tells that of the moment of weighing.
func TestClockIsTold(t *testing.T) {
	t.Parallel()
	f := &intake{}
	s, _ := sender(begun(t, 3), f)
	s.Now = func() time.Time { return time.Date(2026, 1, 5, 8, 30, 0, 0, time.FixedZone("", -6*3600)) }
	require.NoError(t, s.Drain(t.Context()))
	if want := "2026-01-05T14:30:00Z"; f.clock != want || len(f.stored) != 3 {
		t.Errorf("clock %q with %d stored; want %q with 3", f.clock, len(f.stored), want)
	}
}

// Catches: one reading that has its whole batch refused and holds up the others for ever.
func TestTheOneToBlameIsFound(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	require.NoError(t, q.Add(load("666")))
	require.NoError(t, q.Add(load("7")))
	f := &intake{picky: true}
	s, told := sender(q, f)
	require.NoError(t, s.Drain(t.Context()))
	if diff := cmp.Diff(map[Outcome]int{Stored: 4, Refused: 1}, told); diff != "" {
		t.Error(diff)
	}
	if got := q.Aside(); len(got) != 1 || got[0].Reading.GetDigits() != "666" || got[0].Reason != "batch_refused" {
		t.Errorf("set aside: %v", got)
	}
}

// Catches: a refused reading that is forgotten, or one in conflict that is sent for ever.
func TestRefusedStaysAndComesAgain(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	f := &intake{unknown: true}
	s, told := sender(q, f)
	require.NoError(t, s.Drain(t.Context()))
	require.Equal(t, 3, q.Totals().Aside)
	f.unknown = false
	f.stored[2] = "other"
	require.NoError(t, s.again(t.Context()))
	if diff := cmp.Diff(map[Outcome]int{Refused: 3, Stored: 2, Conflict: 1}, told); diff != "" {
		t.Error(diff)
	}
	if got := q.Totals(); got.Waiting+got.Aside != 0 {
		t.Errorf("%+v remains", got)
	}
}

// Catches: a reading that a person put aside for good and that stays in the queue, and a look at the queue that takes it or disturbs it.
func TestDiscardedLeaves(t *testing.T) {
	t.Parallel()
	q := begun(t, 3)
	f := &intake{unknown: true}
	s, told := sender(q, f)
	require.NoError(t, s.Drain(t.Context()))
	seen, err := Look(q.Dir())
	require.NoError(t, err)
	if len(seen) != 3 || seen[0].Reason != "scale_unknown" {
		t.Errorf("seen from outside: %v; want three that are refused as scale_unknown", seen)
	}
	f.gone = true
	require.NoError(t, s.again(t.Context()))
	if diff := cmp.Diff(map[Outcome]int{Refused: 3, Discarded: 3}, told); diff != "" {
		t.Error(diff)
	}
	if got := q.Totals(); got.Waiting+got.Aside != 0 {
		t.Errorf("%+v remains", got)
	}
	require.NoError(t, q.Add(load("8")))
	s.Admit = func(context.Context, []*intakev1.Reading) error {
		return fault.Precondition(ReasonDiscarded, "by a person")
	}
	require.NoError(t, s.Drain(t.Context()))
	if got := q.Totals(); got.Waiting+got.Aside != 0 || told[Discarded] != 4 {
		t.Errorf("held back as discarded: %+v remains, told %v", got, told)
	}
	_, err = Look(t.TempDir())
	require.Equal(t, "queue_unknown", fault.ReasonOf(err))
}

// Catches: a plant that is away for long, after which a queue of many batches is not sent whole and in order.
func TestOutageOfManyBatches(t *testing.T) {
	t.Parallel()
	q := opened(t, Config{Dir: filepath.Join(t.TempDir(), "q")})
	require.NoError(t, q.Number(scaleA, 1))
	for n := range 40 {
		var entries []Entry
		for i := range 50 {
			entries = append(entries, load(fmt.Sprint(50*n+i)))
		}
		require.NoError(t, q.Add(entries...))
	}
	f := &intake{}
	s, told := sender(q, f)
	require.NoError(t, s.Drain(t.Context()))
	if f.calls != 4 || told[Stored] != 2000 || f.stored[2000] != "1999" {
		t.Errorf("%d calls, told %v, number 2000 is %s; want 4, 2000 and 1999", f.calls, told, f.stored[2000])
	}
	if got := q.Totals(); got.Waiting != 0 || got.Bytes > tidyAbove {
		t.Errorf("%+v; want an empty queue whose file was written anew", got)
	}
}
