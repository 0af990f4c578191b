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
	file, err := seasonfile.OpenWeighings(i.cfg.Folder)
	if err != nil {
		return err
	}
	defer func() { _ = file.Close() }() // only read from
	stream := weighfeed.Stream{Intake: i.cfg.Doors.Intake, Patience: i.patience(), Window: window}
	if err := stream.Post(ctx, &feed{importer: i, file: file}); err != nil {
		return fmt.Errorf("send %s: %w", seasonfile.WeighingsFile, err)
	}
	return nil
}

// feed is weighings.csv as a source of batches.
type feed struct {
	importer *importer
	file     *seasonfile.Weighings
	open     []*seasonfile.Batch // handed out and not yet answered, in order
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

// Answered writes down how a batch went.
func (f *feed) Answered(_ *intakev1.StreamReadingsRequest, answer *intakev1.StreamReadingsResponse) error {
	b := f.open[0]
	f.open = f.open[1:]
	repeated := f.importer.repeated(answer.GetReceipt())
	f.importer.note(func(r *Report) {
		w := &r.Weighings
		switch {
		case answer.GetBatchReason() != "":
			w.Refused += int64(len(b.Rows))
			r.Refusals = append(r.Refusals, Refusal{Where: b.Rows[0].Where, What: fmt.Sprintf("batch of %d weighings", len(b.Rows)),
				Reason: answer.GetBatchReason(), Message: answer.GetBatchMessage()})
			return
		case repeated:
			w.Repeated += answer.GetStored() + answer.GetRepeated()
		default:
			w.Stored += answer.GetStored()
			w.Repeated += answer.GetRepeated()
		}
		w.Refused += answer.GetRefused()
		w.Conflicts += answer.GetConflicts()
		for _, x := range answer.GetExceptions() {
			if refusedReading(x) && int(x.GetIndex()) < len(b.Rows) {
				row := b.Rows[x.GetIndex()]
				r.Refusals = append(r.Refusals, Refusal{Where: row.Where, What: fmt.Sprintf("weighing %s/%d", row.Scale, row.Seq), Reason: x.GetReason(),
					Message: x.GetMessage()})
			}
		}
	})
	return nil
}

func refusedReading(x *intakev1.ReadingAnswer) bool {
	return x.GetOutcome() == intakev1.ReadingOutcome_READING_OUTCOME_REFUSED || x.GetOutcome() == intakev1.ReadingOutcome_READING_OUTCOME_CONFLICT
}
