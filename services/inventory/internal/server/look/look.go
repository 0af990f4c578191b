// Package look answers what is where, what came from what, and who received it.
package look

import (
	"context"
	"strconv"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/desk"
	"huskline/internal/fault"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/hold"
	"huskline/services/inventory/internal/stock"
)

// Reads is what the server asks of the store. Each call sees one moment.
type Reads interface {
	// Places lists places by code after a given one.
	Places(ctx context.Context, after string, limit int) ([]stock.NamedPlace, error)
	// Lot gives one lot; fault lot_unknown where there is none.
	Lot(ctx context.Context, id lot.ID) (*stock.State, error)
	// Lots lists lots by code after a given one, of one item or of all.
	Lots(ctx context.Context, item lot.ItemID, onHandOnly bool, after string, limit int) ([]*stock.State, error)
	// Holds lists holds, oldest first, after a number; those on one lot or all.
	Holds(ctx context.Context, on lot.ID, endedToo bool, after int64, limit int) ([]*hold.State, error)
}

// Server answers. It is safe for concurrent use.
type Server struct {
	reads Reads
	inbox *inbox.Inbox
}

// New makes the server.
func New(reads Reads, in *inbox.Inbox) *Server { return &Server{reads, in} }

// ListPlaces lists places by code.
func (s *Server) ListPlaces(ctx context.Context, req *inventoryv1.ListPlacesRequest) (*inventoryv1.ListPlacesResponse, error) {
	after, err := key(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	size := desk.PageSize(req.GetPageSize())
	places, err := s.reads.Places(ctx, after, size+1)
	if err != nil {
		return nil, err
	}
	answer := &inventoryv1.ListPlacesResponse{}
	for i, p := range places {
		if i == size {
			answer.NextPageToken = desk.PageToken(string(places[i-1].ID), true)
			break
		}
		answer.Places = append(answer.Places, &inventoryv1.Place{Place: string(p.ID), Name: p.Name, Bin: p.Bin, OverBookMicropounds: int64(p.Over)})
	}
	return answer, nil
}

// key is what a page goes on after.
func key(token string) (string, error) {
	if token == "" {
		return "", nil
	}
	after, err := strconv.Unquote(token)
	if err != nil {
		return "", fault.Invalid("page_token", "page token %q: not one of ours", token)
	}
	return after, nil
}

// GetLot gives one lot with its balances and holds, after what the others have said up to now. A lot that is not known is no finding while one of
// them could not be reached, who may have said it: fault of kind unavailable, reason behind.
func (s *Server) GetLot(ctx context.Context, req *inventoryv1.GetLotRequest) (*inventoryv1.GetLotResponse, error) {
	missing := s.inbox.CatchUp(ctx)
	l, err := s.reads.Lot(ctx, lot.ID(req.GetLot()))
	if fault.KindOf(err) == fault.KindNotFound && len(missing) > 0 {
		// Events in quarantine are no reason to come again: a person looks at them.
		if away := s.inbox.Reach(ctx); len(away) > 0 {
			return nil, fault.Unavailable("behind", "%v; but %s, and what it said may change that", err, away[0])
		}
		l, err = s.reads.Lot(ctx, lot.ID(req.GetLot()))
	}
	if err != nil {
		return nil, err
	}
	return &inventoryv1.GetLotResponse{Lot: stateOf(l), Missing: missing}, nil
}

// ListLots lists lots by code. The first page waits for what the others have said up to now; the next ones go on from there.
func (s *Server) ListLots(ctx context.Context, req *inventoryv1.ListLotsRequest) (*inventoryv1.ListLotsResponse, error) {
	after, err := key(req.GetPageToken())
	if err != nil {
		return nil, err
	}
	answer := &inventoryv1.ListLotsResponse{}
	if after == "" {
		answer.Missing = s.inbox.CatchUp(ctx)
	}
	size := desk.PageSize(req.GetPageSize())
	lots, err := s.reads.Lots(ctx, lot.ItemID(req.GetItem()), req.GetOnHandOnly(), after, size+1)
	if err != nil {
		return nil, err
	}
	for i, l := range lots {
		if i == size {
			answer.NextPageToken = desk.PageToken(string(lots[i-1].ID), true)
			break
		}
		answer.Lots = append(answer.Lots, stateOf(l))
	}
	return answer, nil
}

func stateOf(l *stock.State) *inventoryv1.LotState {
	m := &inventoryv1.LotState{
		Lot: string(l.ID), Item: string(l.Item), Measure: lotwire.Measure(l.Measure), Owner: string(l.Owner), Ownership: lotwire.Ownership(l.Ownership),
		Made: int64(l.Made), Born: timestamppb.New(l.Born), Holds: l.Holds, Voided: l.Voided,
	}
	for _, c := range l.Containers {
		m.Containers = append(m.Containers, &inventoryv1.Container{
			Container: c.Code, Place: string(c.Place), Quantity: int64(c.Quantity), FilledTo: timestamppb.New(c.FilledTo), Holds: c.Holds,
		})
	}
	m.Balances, m.OnHand = balancesOf(l.Balances)
	return m
}

func balancesOf(in []stock.SpotBalance) (out []*inventoryv1.Balance, sum int64) {
	for _, b := range in {
		out = append(out, &inventoryv1.Balance{Place: string(b.Place), Owner: string(b.Owner), Quantity: int64(b.Quantity)})
		sum += int64(b.Quantity)
	}
	return out, sum
}

// ListHolds lists holds with the lots they are on.
func (s *Server) ListHolds(ctx context.Context, req *inventoryv1.ListHoldsRequest) (*inventoryv1.ListHoldsResponse, error) {
	after := int64(0)
	if text := req.GetPageToken(); text != "" {
		var err error
		if after, err = strconv.ParseInt(text, 10, 64); err != nil {
			return nil, fault.Invalid("page_token", "page token %q: not one of ours", text)
		}
	}
	answer := &inventoryv1.ListHoldsResponse{}
	if after == 0 {
		answer.Missing = s.inbox.CatchUp(ctx)
	}
	size := desk.PageSize(req.GetPageSize())
	holds, err := s.reads.Holds(ctx, lot.ID(req.GetLot()), req.GetEndedToo(), after, size+1)
	if err != nil {
		return nil, err
	}
	for i, h := range holds {
		if i == size {
			answer.NextPageToken = strconv.FormatInt(holds[i-1].Number, 10)
			break
		}
		answer.Holds = append(answer.Holds, &inventoryv1.HoldState{
			Hold: h.Held.Hold, Class: lotwire.HoldClass(h.Class), Root: string(h.Root), Reason: h.Reason, Recall: h.Recall, PlacedBy: h.PlacedBy,
			Spreading: h.Spreading, Ended: h.Ended, Lots: codes(h.Lots), Excluded: codes(h.Excluded),
			Containers: h.Containers, FillFrom: lotwire.Time(h.FillFrom), FillTo: lotwire.Time(h.FillTo),
		})
	}
	return answer, nil
}

func codes(in []lot.ID) []string {
	out := make([]string, len(in))
	for i, id := range in {
		out[i] = string(id)
	}
	return out
}
