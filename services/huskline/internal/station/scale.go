package station

import (
	"context"
	"fmt"
	"strings"
	"time"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
	"huskline/services/huskline/internal/weighqueue"
)

// The size of a page, and how many are read of a scale's readings before giving up: two hundred thousand readings.
const (
	pageSize = 1000
	maxPages = 200
)

// number makes sure that a scale's next own number is known and free. A new queue asks the plant for it and waits until it is told; one that was in use
// goes on by itself, and where the plant can be asked and has higher numbers, another device posts under the scale.
func (s *station) number(ctx context.Context, code string) error {
	if code == "" {
		return nil
	}
	q := s.cfg.Queue
	if s.cfg.First > 0 {
		return q.Number(code, s.cfg.First)
	}
	next := q.Scale(code).Next
	for pause := time.Duration(0); ; pause = min(2*pause+200*time.Millisecond, 10*time.Second) {
		highest, err := s.highest(ctx, code, next != 0)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case err == nil && next == 0:
			return q.Number(code, highest+1)
		case err == nil && highest >= next:
			return fault.Precondition("scale_claimed", "scale %s: the plant has number %d, and this queue has given numbers below %d only: another device posts under this scale, or the queue is an old copy; "+
				"find out which, then give the first number that was never used", code, highest, next)
		case err == nil || next != 0:
			return nil
		case fault.KindOf(err) == fault.KindDenied:
			return err
		}
		if pause == 0 {
			s.say(Event{Reason: "number_unknown", Alarm: true, Message: fmt.Sprintf("scale %s: a new queue asks the plant for the scale's next number, and it does not answer (%v): nothing is captured until it does, or give the first number yourself", code, err)})
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return ctx.Err()
		case <-timer.C:
		}
	}
}

// highest is the highest number that the plant has of a scale; 0 where it has none. In a hurry it does not keep a scale waiting for an answer.
func (s *station) highest(ctx context.Context, code string, hurry bool) (int64, error) {
	if hurry {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, hurryLimit)
		defer cancel()
	}
	scales, err := s.list(ctx)
	if err != nil {
		return 0, err
	}
	at := scales[code]
	if at == nil || at.GetStored() == at.GetWatermark() {
		return at.GetWatermark(), nil
	}
	highest := int64(0)
	err = s.each(ctx, code, func(r *intakev1.StoredReading) bool {
		highest = max(highest, r.GetReading().GetSequence())
		return true
	})
	return highest, err
}

// list is all scales that the plant knows, by code.
func (s *station) list(ctx context.Context) (map[string]*intakev1.ScaleState, error) {
	out := map[string]*intakev1.ScaleState{}
	for page := ""; ; {
		var got *intakev1.ListScalesResponse
		err := s.call(ctx, func(ctx context.Context, in intakev1.IntakeServiceClient) (err error) {
			got, err = in.ListScales(ctx, &intakev1.ListScalesRequest{PageSize: pageSize, PageToken: page})
			return err
		})
		if err != nil {
			return nil, err
		}
		for _, one := range got.GetScales() {
			out[one.GetScale().GetScale()] = one
		}
		if page = got.GetNextPageToken(); page == "" {
			return out, nil
		}
	}
}

// each walks a scale's readings by sequence until more is false.
func (s *station) each(ctx context.Context, code string, more func(*intakev1.StoredReading) bool) error {
	page := ""
	for range maxPages {
		var got *intakev1.ListReadingsResponse
		err := s.call(ctx, func(ctx context.Context, in intakev1.IntakeServiceClient) (err error) {
			got, err = in.ListReadings(ctx, &intakev1.ListReadingsRequest{Scale: code, PageSize: pageSize, PageToken: page})
			return err
		})
		if err != nil {
			return err
		}
		for _, r := range got.GetReadings() {
			if !more(r) {
				return nil
			}
		}
		if page = got.GetNextPageToken(); page == "" {
			return nil
		}
	}
	return fault.Precondition("scale_too_long", "scale %s: more than %d readings are stored; give the first number that was never used", code, maxPages*pageSize)
}

// theirs is what the plant has under a reading's number; nil where it cannot be found now.
func (s *station) theirs(ours *intakev1.Reading) (found *intakev1.Reading) {
	ctx, cancel := context.WithTimeout(context.Background(), callLimit)
	defer cancel()
	_ = s.each(ctx, ours.GetScale(), func(r *intakev1.StoredReading) bool {
		if r.GetReading().GetSequence() == ours.GetSequence() && !r.GetConflict() {
			found = r.GetReading()
		}
		return found == nil && r.GetReading().GetSequence() <= ours.GetSequence()
	})
	return found
}

// admit holds back readings of scales that the plant does not know: with an administrator's token a misspelt code would become a scale.
func (s *station) admit(ctx context.Context, readings []*intakev1.Reading) error {
	if s.cfg.Register {
		return nil
	}
	for _, r := range readings {
		if s.known[r.GetScale()] {
			continue
		}
		scales, err := s.list(ctx)
		if err != nil {
			return err
		}
		var near string
		for code := range scales {
			s.known[code] = true
			if strings.EqualFold(code, r.GetScale()) {
				near = code
			}
		}
		if s.known[r.GetScale()] {
			continue
		}
		if err := s.discarded(ctx, r); err != nil {
			return err
		}
		switch {
		case near != "":
			return fault.Precondition("scale_unknown", "scale %s: it is not registered, %s is: codes are told apart by their capitals too", r.GetScale(), near)
		default:
			return fault.Precondition("scale_unknown", "scale %s: it is not registered; register it, or allow that it is registered with its first reading", r.GetScale())
		}
	}
	return nil
}

// discarded refuses a reading that a person put aside for good at the plant. One of an unknown scale is asked about, since it is not sent.
func (s *station) discarded(ctx context.Context, r *intakev1.Reading) error {
	page := ""
	for range maxPages {
		var got *intakev1.ListDiscardedReadingsResponse
		err := s.call(ctx, func(ctx context.Context, in intakev1.IntakeServiceClient) (err error) {
			got, err = in.ListDiscardedReadings(ctx, &intakev1.ListDiscardedReadingsRequest{PageSize: pageSize, PageToken: page})
			return err
		})
		if err != nil {
			return err
		}
		for _, one := range got.GetReadings() {
			d := one.GetDiscarded()
			if d.GetScale() == r.GetScale() && d.GetSequence() == r.GetSequence() && d.GetDigits() == r.GetDigits() && d.GetUnit() == r.GetUnit() &&
				d.GetKind() == int64(r.GetKind()) && d.GetReference() == r.GetReference() && d.GetTime().AsTime().Equal(r.GetTime().AsTime().Truncate(time.Microsecond)) {
				return fault.Precondition(weighqueue.ReasonDiscarded, "scale %s, sequence %d: put aside for good by %s: %s", d.GetScale(), d.GetSequence(), d.GetBy(), d.GetReason())
			}
		}
		if page = got.GetNextPageToken(); page == "" {
			return nil
		}
	}
	return nil
}
