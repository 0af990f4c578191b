package seasonimport

import (
	"context"
	"fmt"

	intakev1 "huskline/proto/huskline/intake/v1"

	"huskline/services/huskline/internal/seasonfile"
	"huskline/services/huskline/internal/weighfeed"
)

// window is how many batches are under way before an answer is waited for: enough to keep intake busy, few enough to resend.
const window = 4

// weighings streams weighings.csv from the top.
func (i *importer) weighings(ctx context.Context) error {
	begun := i.cfg.Now()
	defer func() {
		took := i.cfg.Now().Sub(begun)
		i.note(func(r *Report) { r.Weighings.Elapsed = took })
	}()
	if i.cfg.Season.Weighings == 0 {
		return nil
	}
	return i.stream(ctx, i.count)
}

// tryWeighings finds the weighings whose numbers the plant knows with other content. A batch that was answered before stays as it was answered.
func (i *importer) tryWeighings(ctx context.Context) error {
	if i.cfg.Season.Weighings == 0 {
		return nil
	}
	return i.stream(ctx, func(b *seasonfile.Batch, answer *intakev1.StreamReadingsResponse) {
		if answer.GetReceipt() != nil {
			return
		}
		found := refusals(b, answer)
		for n := range found {
			if found[n].Reason == "sequence_taken" { // what is said of it is true of a reading that was sent
				found[n].Message = "another reading is stored under this sequence number"
			}
		}
		i.note(func(r *Report) { r.Refusals = append(r.Refusals, found...) })
	})
}

// stream posts weighings.csv and gives every batch with its answer to tell.
func (i *importer) stream(ctx context.Context, tell func(*seasonfile.Batch, *intakev1.StreamReadingsResponse)) error {
	file, err := seasonfile.OpenWeighings(i.cfg.Folder)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }() // only read from
	stream := weighfeed.Stream{Intake: i.cfg.Doors.Intake, Patience: i.patience(), Window: window}
	if err := stream.Post(ctx, &feed{tell: tell, file: file}); err != nil {
		return fmt.Errorf("send %s: %w", seasonfile.WeighingsFile, err)
	}
	return nil
}

// feed is weighings.csv as a source of batches.
type feed struct {
	tell func(*seasonfile.Batch, *intakev1.StreamReadingsResponse)
	file *seasonfile.Weighings
	open []*seasonfile.Batch // handed out and not yet answered, in order
}

// Next reads the next batch of the file.
func (f *feed) Next() (*intakev1.StreamReadingsRequest, error) {
	b, err := f.file.Next()
	if b == nil || err != nil {
		return nil, err
	}
	f.open = append(f.open, b)
	req := &intakev1.StreamReadingsRequest{CommandId: batchID(b), Historic: true, Readings: make([]*intakev1.Reading, len(b.Rows))}
	for i, row := range b.Rows {
		req.Readings[i] = reading(row)
	}
	return req, nil
}

// Answered passes on how a batch went.
func (f *feed) Answered(_ *intakev1.StreamReadingsRequest, answer *intakev1.StreamReadingsResponse) error {
	b := f.open[0]
	f.open = f.open[1:]
	f.tell(b, answer)
	return nil
}

// count writes down how a batch went.
func (i *importer) count(b *seasonfile.Batch, answer *intakev1.StreamReadingsResponse) {
	repeated := i.repeated(answer.GetReceipt())
	i.note(func(r *Report) {
		r.Refusals = append(r.Refusals, refusals(b, answer)...)
		w := &r.Weighings
		switch {
		case answer.GetBatchReason() != "":
			w.Refused += int64(len(b.Rows))
			return
		case repeated:
			w.Repeated += answer.GetStored() + answer.GetRepeated()
		default:
			w.Stored += answer.GetStored()
			w.Repeated += answer.GetRepeated()
		}
		w.Refused += answer.GetRefused()
		w.Conflicts += answer.GetConflicts()
	})
}

// refusals are what of a batch was refused, or in conflict.
func refusals(b *seasonfile.Batch, answer *intakev1.StreamReadingsResponse) []Refusal {
	if answer.GetBatchReason() != "" {
		return []Refusal{{
			Where: b.Rows[0].Where, What: fmt.Sprintf("batch of %d weighings", len(b.Rows)), Reason: answer.GetBatchReason(), Message: answer.GetBatchMessage(),
		}}
	}
	var out []Refusal
	for _, x := range answer.GetExceptions() {
		if refusedReading(x) && int(x.GetIndex()) < len(b.Rows) {
			row := b.Rows[x.GetIndex()]
			out = append(out, Refusal{Where: row.Where, What: fmt.Sprintf("weighing %s/%d", row.Scale, row.Seq), Reason: x.GetReason(), Message: x.GetMessage()})
		}
	}
	return out
}

func refusedReading(x *intakev1.ReadingAnswer) bool {
	return x.GetOutcome() == intakev1.ReadingOutcome_READING_OUTCOME_REFUSED || x.GetOutcome() == intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT
}
