package intake_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	intakev1 "huskline/proto/huskline/intake/v1"
)

// A refused reading is put aside for good by a person with a reason, is listed, and is known when it comes again; its number stays open. It catches a reading
// that is lost by being put aside though it could be stored or is, and another reading that falls with it.
func TestDiscardReading(t *testing.T) {
	t.Parallel()
	g := newGate(t)
	g.scale(truck("W"))
	discard := func(r *intakev1.Reading) error {
		_, err := g.client.DiscardReading(t.Context(), &intakev1.DiscardReadingRequest{CommandId: id(), Reading: r, Reason: "test weights, not goods"})
		return err
	}
	stored, bad, taken, nul, unread := line("W", 1, "48020"), line("W", 2, "48021"), line("W", 1, "48040"), line("W", 3, "48020"), line("W", 4, "48020")
	nul.Reference, unread.Defect = "a\x00", &intakev1.ReadingDefect{Reason: "time_malformed", Message: "field time"}
	unknown := line("NOWHERE", 1, "48020")
	g.post(g.client, stored)
	want(t, discard(stored), "reading_stored")
	want(t, discard(taken), "reading_acceptable") // it would be kept apart
	want(t, discard(line("W", 2, "48020")), "reading_acceptable")
	_, err := g.client.DiscardReading(t.Context(), &intakev1.DiscardReadingRequest{CommandId: id(), Reading: bad})
	require.Error(t, err, "no reason")
	for _, r := range []*intakev1.Reading{bad, nul, unread, unknown} {
		want(t, discard(r), "")
	}
	want(t, discard(bad), "reading_discarded")

	answer, got := g.post(g.client, bad, nul, line("W", 2, "48023"), unread, line("W", 2, "48060"))
	require.EqualValues(t, 4, got.Refused)
	var rules []string
	for _, x := range answer.GetExceptions() {
		rules = append(rules, x.GetReason())
	}
	require.Equal(t, []string{"reading_discarded", "reading_discarded", "off_division", "reading_discarded"}, rules)
	require.Equal(t, []int64{1, 2}, []int64{g.readings("W")[0].GetReading().GetSequence(), g.readings("W")[1].GetReading().GetSequence()})

	list, err := g.client.ListDiscardedReadings(t.Context(), &intakev1.ListDiscardedReadingsRequest{PageSize: 3})
	require.NoError(t, err)
	rest, err := g.client.ListDiscardedReadings(t.Context(), &intakev1.ListDiscardedReadingsRequest{PageSize: 3, PageToken: list.GetNextPageToken()})
	require.NoError(t, err)
	require.Len(t, list.GetReadings(), 3)
	require.Equal(t, "NOWHERE", list.GetReadings()[0].GetDiscarded().GetScale())
	require.Len(t, rest.GetReadings(), 1)
	last := rest.GetReadings()[0].GetDiscarded()
	require.Equal(t, []string{"W", "48021", "off_division", "test weights, not goods"}, []string{last.GetScale(), last.GetDigits(), last.GetRule(), last.GetReason()})
	require.NotEmpty(t, last.GetBy())
}
