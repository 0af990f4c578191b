// Package watch shows balances as they change.
package watch

import (
	"log/slog"
	"slices"

	"google.golang.org/grpc"

	"huskline/internal/follow"
	"huskline/internal/live"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/postgres"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/genealogy"
)

// Hub is the genealogy, kept up to date, with what it was told last.
type Hub = live.Hub[*genealogy.Index, []genealogy.Change]

// NewHub makes a hub on what a database records.
func NewHub(db *postgres.DB, logger *slog.Logger) *Hub {
	return live.New(live.Config[*genealogy.Index, []genealogy.Change]{
		Follow: follow.Config[*genealogy.Index]{DB: db, Self: lot.Inventory, New: genealogy.New, Logger: logger},
		Fold:   fold,
	})
}

func fold(x *genealogy.Index, _ lot.Recorded, apply func() error) ([]genealogy.Change, int, error) {
	changes, err := x.Changes(apply)
	return changes, len(changes), err
}

// Server answers. It is safe for concurrent use.
type Server struct{ hub *Hub }

// New makes the server.
func New(hub *Hub) *Server { return &Server{hub} }

// WatchBalances streams changes of balances until the caller ends it.
func (s *Server) WatchBalances(req *inventoryv1.WatchBalancesRequest, stream grpc.ServerStreamingServer[inventoryv1.WatchBalancesResponse]) error {
	after, err := live.After(req.GetAfter())
	if err != nil {
		return err
	}
	return s.hub.Watch(stream.Context(), after, func(n *live.Note[[]genealogy.Change], _, mark follow.Mark) error {
		m := &inventoryv1.WatchBalancesResponse{Resume: mark.String()}
		if n == nil {
			return stream.Send(m)
		}
		for _, c := range n.Body {
			if wanted(req, c) {
				m.Changes = append(m.Changes, changeOf(c))
			}
		}
		if m.Changes == nil {
			return nil
		}
		e := n.Event
		m.At, m.EventId, m.Type, m.Actor = lotwire.Receipt(e.Receipt), e.EventID, e.Body.Kind(), e.Actor
		m.Recorded, m.Effective = lotwire.Time(e.RecordedAt), lotwire.Time(e.Effective)
		return stream.Send(m)
	})
}

func wanted(req *inventoryv1.WatchBalancesRequest, c genealogy.Change) bool {
	among := func(list []string, code string) bool { return len(list) == 0 || slices.Contains(list, code) }
	return among(req.GetPlaces(), string(c.Place)) && among(req.GetItems(), string(c.Item)) && among(req.GetLots(), string(c.Lot))
}

func changeOf(c genealogy.Change) *inventoryv1.BalanceChange {
	return &inventoryv1.BalanceChange{
		Lot: string(c.Lot), Item: string(c.Item), Owner: string(c.Owner), Measure: lotwire.Measure(c.Measure), Place: string(c.Place),
		Change: int64(c.Delta), Quantity: int64(c.Quantity),
	}
}
