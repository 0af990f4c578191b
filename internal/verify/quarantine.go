package verify

import (
	"context"
	"fmt"

	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// quarantined is what the three services say alike of an event that they set aside.
type quarantined interface {
	GetAt() *eventv1.Receipt
	GetEventId() string
	GetType() string
	GetReason() string
	GetWaiting() bool
}

// askQuarantines names every event that a service has set aside, or that waits behind one: what it tells is missing in that service's answers.
func askQuarantines(ctx context.Context, s Services, r *Report) {
	listQuarantine(ctx, r, "intake", func(ctx context.Context, token string) ([]*intakev1.QuarantinedEvent, string, error) {
		a, err := s.Intake.ListQuarantine(ctx, &intakev1.ListQuarantineRequest{PageSize: pageSize, PageToken: token})
		return a.GetEvents(), a.GetNextPageToken(), err
	})
	listQuarantine(ctx, r, "inventory", func(ctx context.Context, token string) ([]*inventoryv1.QuarantinedEvent, string, error) {
		a, err := s.Inventory.ListQuarantine(ctx, &inventoryv1.ListQuarantineRequest{PageSize: pageSize, PageToken: token})
		return a.GetEvents(), a.GetNextPageToken(), err
	})
	listQuarantine(ctx, r, "production", func(ctx context.Context, token string) ([]*productionv1.QuarantinedEvent, string, error) {
		a, err := s.Production.ListQuarantine(ctx, &productionv1.ListQuarantineRequest{PageSize: pageSize, PageToken: token})
		return a.GetEvents(), a.GetNextPageToken(), err
	})
}

func listQuarantine[E quarantined](ctx context.Context, r *Report, service string, page func(context.Context, string) ([]E, string, error)) {
	ask(ctx, r, "quarantine", service, func(ctx context.Context) error {
		for token := ""; ; {
			events, next, err := page(ctx, token)
			if err != nil {
				return err
			}
			for _, e := range events {
				state := "set aside"
				if e.GetWaiting() {
					state = "waits"
				}
				at := e.GetAt()
				r.differ("quarantine", fmt.Sprintf("%s: %s/%d/%d %s %s", service, at.GetProducer(), at.GetEpoch(), at.GetPosition(), e.GetType(),
					e.GetEventId()), "applied", state+": "+e.GetReason())
			}
			if token = next; token == "" {
				r.count("services asked for their quarantine", 1)
				return nil
			}
		}
	})
}
