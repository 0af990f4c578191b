// Package drill answers what came from what: a recall drill of a lot, and the origins in it, complete as of stated positions.
package drill

import (
	"context"
	"math/big"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/follow"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	"huskline/services/inventory/internal/genealogy"
	"huskline/services/inventory/internal/recall"
)

// Index is the genealogy as it is kept up to date.
type Index = follow.Follower[*genealogy.Index]

// Server answers. It is safe for concurrent use.
type Server struct {
	index *Index
	inbox *inbox.Inbox
	now   func() time.Time
}

// New makes the server.
func New(index *Index, in *inbox.Inbox, now func() time.Time) *Server {
	return &Server{index, in, now}
}

// asked is which facts a question is about.
type asked struct {
	knownAt *timestamppb.Timestamp
	asOf    []*eventv1.Receipt
}

// read runs fn over the facts asked for. A question about now first catches up with the others, unless the call says what it relies on: then
// that was waited for at the door. One at printed positions that are held here asks nobody; its answer never changes.
func (s *Server) read(ctx context.Context, a asked, fn func(x *genealogy.Index, asOf []lot.Receipt) error) (missing []string, err error) {
	if a.knownAt != nil && len(a.asOf) > 0 {
		return nil, fault.Invalid("known_at_and_as_of", "known_at and as_of: only one of them can be asked for")
	}
	if len(a.asOf) > 0 {
		return nil, s.index.Asked(ctx, lotwire.ParseReceipts(a.asOf), s.inbox.Reach, fn)
	}
	if relied := rpc.ReceiptsOf(ctx); len(relied) == 0 || a.knownAt != nil {
		missing = s.inbox.CatchUp(ctx)
	}
	if a.knownAt == nil {
		return missing, s.index.View(ctx, nil, fn)
	}
	at, err := lotwire.ParseTime(a.knownAt)
	if err != nil {
		return nil, err
	}
	if err := follow.KnownBy(at, s.now()); err != nil {
		return nil, err
	}
	vector, err := s.index.VectorAt(ctx, at)
	if err != nil {
		return nil, err
	}
	return missing, s.index.Past(ctx, vector, fn)
}

// lacking is what an answer about these lots may lack, beside what could not be asked for.
func (s *Server) lacking(a asked, missing []string, lots []lot.ID) []string {
	if len(a.asOf) > 0 {
		return nil
	}
	for _, g := range s.index.Gaps(lots...) {
		missing = append(missing, g.String())
	}
	return missing
}

// Drill traces a lot forwards and backwards.
func (s *Server) Drill(ctx context.Context, req *inventoryv1.DrillRequest) (*inventoryv1.DrillResponse, error) {
	var at time.Time
	if req.GetAt() != nil {
		var err error
		if at, err = lotwire.ParseTime(req.GetAt()); err != nil {
			return nil, err
		}
	}
	a := asked{req.GetKnownAt(), req.GetAsOf()}
	var answer *inventoryv1.DrillResponse
	var report recall.Report
	missing, err := s.read(ctx, a, func(x *genealogy.Index, asOf []lot.Receipt) error {
		var err error
		if report, err = recall.Drill(x, lot.ID(req.GetLot()), recall.Options{At: at}); err != nil {
			return err
		}
		answer = answerOf(report)
		answer.AsOf = lotwire.Receipts(asOf)
		if answer.Ancestors, err = ancestorsOf(x.View(at), report.Ancestors); err != nil {
			return err
		}
		answer.ReceivedFrom, err = receivedFrom(x.View(at), append([]lot.ID{report.Lot.ID}, report.Ancestors...))
		return err
	})
	if err != nil {
		return nil, err
	}
	for _, w := range report.NotKnown {
		missing = append(missing, waiting(w))
	}
	answer.Missing = s.lacking(a, missing, family(report))
	return answer, nil
}

func family(r recall.Report) []lot.ID {
	return append(append([]lot.ID{r.Lot.ID}, r.AffectedLots...), r.Ancestors...)
}

func answerOf(r recall.Report) *inventoryv1.DrillResponse {
	answer := &inventoryv1.DrillResponse{
		Lot: string(r.Lot.ID), Item: string(r.Lot.Item), Owner: string(r.Lot.Owner), Measure: lotwire.Measure(r.Lot.Measure), Holds: r.Lot.Holds,
		Shipped: int64(r.Shipped), Returned: int64(r.Returned), OnHand: int64(r.OnHand),
		OwnReceivedOrMade: int64(r.ReceivedOrMade), OwnUsed: int64(r.Used), OwnShipped: int64(r.OwnShipped), OwnAdjusted: int64(r.Adjusted),
		OwnOnHand: int64(r.OwnOnHand),
	}
	answer.AccountedPpmPct = millionths(r.Accounted)
	for _, l := range r.Affected[1:] {
		answer.Affected = append(answer.Affected, affectedOf(l))
	}
	for _, l := range r.Lines {
		answer.Shipments = append(answer.Shipments, &inventoryv1.AffectedShipment{
			Shipment: l.Shipment, Line: l.Line, Lot: string(l.Lot), Quantity: int64(l.Quantity), Returned: int64(l.Returned), Time: timestamppb.New(l.At),
			Consignee: string(l.Consignee), Channel: l.Channel, Carrier: l.Carrier, Document: l.Document,
		})
	}
	for _, c := range r.Consignees {
		answer.Consignees = append(answer.Consignees, &inventoryv1.Consignee{
			Party: string(c.ID), Name: c.Name, Address: c.Address, Phone: c.Phone, Quantity: int64(c.Shipped),
		})
	}
	for _, st := range r.Steps {
		answer.Runs = append(answer.Runs, &inventoryv1.RunBalance{
			Run: string(st.Run), Stage: st.Stage, Input: int64(st.Input), Output: int64(st.Output), Unaccounted: int64(st.Unaccounted), Open: st.Open,
		})
	}
	return answer
}

// millionths is a ratio in millionths of a percent, half up; 0 where the whole is nothing.
func millionths(r recall.Ratio) int64 {
	if r.Whole <= 0 {
		return 0
	}
	n := new(big.Int).Mul(big.NewInt(int64(r.Part)), big.NewInt(2*100_000_000))
	n.Add(n, big.NewInt(int64(r.Whole)))
	return n.Div(n, big.NewInt(2*int64(r.Whole))).Int64()
}

func ancestorsOf(v genealogy.View, ids []lot.ID) ([]*inventoryv1.AffectedLot, error) {
	var out []*inventoryv1.AffectedLot
	for _, id := range ids {
		l, err := v.Lot(id)
		if err != nil {
			return nil, err
		}
		q, err := v.Quantities(id)
		if err != nil {
			return nil, err
		}
		out = append(out, affectedOf(recall.AffectedLot{Lot: l, Quantities: q}))
	}
	return out, nil
}

// receivedFrom is one up (21 CFR 1.337): who brought the deliveries and bought lots among these, by code.
func receivedFrom(v genealogy.View, ids []lot.ID) ([]*inventoryv1.ReceivedFrom, error) {
	var out []*inventoryv1.ReceivedFrom
	for _, id := range ids {
		l, err := v.Lot(id)
		if err != nil {
			return nil, err
		}
		if l.Source == 0 || l.From == "" {
			continue
		}
		q, err := v.Quantities(id)
		if err != nil {
			return nil, err
		}
		from := v.Party(l.From)
		m := &inventoryv1.ReceivedFrom{
			Lot: string(id), Item: string(l.Item), Quantity: int64(q.Made), Party: string(l.From), Name: from.Name, Address: from.Address, Phone: from.Phone,
			SupplierLot: l.SupplierLot, Carrier: l.Carrier, Document: l.Document,
		}
		if !l.Received.IsZero() {
			m.Received = timestamppb.New(l.Received)
		}
		out = append(out, m)
	}
	slices.SortFunc(out, func(a, b *inventoryv1.ReceivedFrom) int { return strings.Compare(a.GetLot(), b.GetLot()) })
	return out, nil
}

func affectedOf(l recall.AffectedLot) *inventoryv1.AffectedLot {
	m := &inventoryv1.AffectedLot{
		Lot: string(l.ID), Item: string(l.Item), Owner: string(l.Owner), Made: int64(l.Quantities.Made), OnHand: int64(l.Quantities.OnHand),
		Holds: l.Holds, Measure: lotwire.Measure(l.Measure),
	}
	for _, p := range l.Piles {
		m.Balances = append(m.Balances, &inventoryv1.Balance{Place: string(p.Place), Owner: string(l.Owner), Quantity: int64(p.Quantity)})
	}
	return m
}

// waiting says that facts name a lot whose birth is not known.
func waiting(w genealogy.Waiting) string {
	return "lot " + string(w.Lot) + ": what made it is not known yet"
}

// Origins tells what went into a lot.
func (s *Server) Origins(ctx context.Context, req *inventoryv1.OriginsRequest) (*inventoryv1.OriginsResponse, error) {
	a := asked{req.GetKnownAt(), req.GetAsOf()}
	id := lot.ID(req.GetLot())
	answer := &inventoryv1.OriginsResponse{Lot: req.GetLot()}
	lots := []lot.ID{id}
	missing, err := s.read(ctx, a, func(x *genealogy.Index, asOf []lot.Receipt) error {
		answer.Origins, answer.AsOf, lots = nil, lotwire.Receipts(asOf), lots[:1]
		origins, err := recall.Origins(x, id, recall.Options{})
		if err != nil {
			return err
		}
		v := x.View(time.Time{})
		for _, o := range origins {
			l, err := v.Lot(o.Lot)
			if err != nil {
				return err
			}
			lots = append(lots, o.Lot)
			answer.Origins = append(answer.Origins, &inventoryv1.Origin{Lot: string(o.Lot), Share: o.Parts, Party: string(l.From), Item: string(l.Item)})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	answer.Missing = s.lacking(a, missing, lots)
	return answer, nil
}
