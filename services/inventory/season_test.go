package inventory_test

import (
	"fmt"
	"math/big"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/season"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// A whole season through the door, sixteen commands in flight and so in no order but that of cause: stock and drills are the season's
// expected.json, an independent exact calculation (testdata/season/README.md), and production's own sums agree with the ledger.
func TestSeasons(t *testing.T) {
	t.Parallel()
	for _, folder := range []string{"season", "season-2"} {
		t.Run(folder, func(t *testing.T) {
			t.Parallel()
			s, err := season.Load(filepath.Join("..", "..", "testdata", folder))
			require.NoError(t, err)
			p := newPlant(t)
			facts := s.Facts()
			for _, f := range facts {
				if f.Producer == lot.Intake {
					p.intake.say(f.Effective, f.Body, f.Lots...)
				}
			}
			p.receive("LAST", 1, day(1, 0))
			require.EqualValues(t, 1, p.onHand("LAST"))
			start := time.Now()
			n := p.replay(facts)
			t.Logf("%d commands, %.0f a second", n, float64(n)/time.Since(start).Seconds())
			for _, f := range facts {
				if f.Producer == lot.Production {
					p.production.say(f.Effective, f.Body, f.Lots...)
				}
			}
			for id, want := range s.Expected.Lots {
				got, err := p.peer.GetLot(t.Context(), &inventoryv1.GetLotRequest{Lot: id})
				require.NoError(t, err)
				require.Equal(t, want.Owner, got.GetLot().GetOwner(), id)
				require.Equal(t, micropounds(want.MadeLB.String()), got.GetLot().GetMade(), id)
				require.Equal(t, micropounds(want.OnHandLB.String()), got.GetLot().GetOnHand(), id)
			}
			for _, want := range s.Expected.Drills {
				got, err := p.as("auditor").Drill(t.Context(), &inventoryv1.DrillRequest{Lot: want.Lot})
				require.NoError(t, err)
				require.Empty(t, got.GetMissing())
				require.Len(t, got.GetAffected(), len(want.AffectedLots))
				require.Len(t, got.GetAncestors(), len(want.Ancestors))
				require.Equal(t, micropounds(want.ShippedLB.String()), got.GetShipped(), want.Lot)
				require.Equal(t, micropounds(want.OnHandLB.String()), got.GetOnHand(), want.Lot)
			}
			p.quiet()
		})
	}
}

// micropounds reads pounds as they are written in expected.json.
func micropounds(text string) int64 {
	r, _ := new(big.Rat).SetString(text)
	r.Mul(r, big.NewRat(pound, 1)).Add(r, big.NewRat(1, 2))
	return new(big.Int).Div(r.Num(), r.Denom()).Int64()
}

// replay sends inventory's facts of a season as the commands that they came of, each once what it rests on is done.
func (p *plant) replay(facts []lot.Recorded) int {
	done := make([]chan struct{}, len(facts))
	makers := map[lot.ID][]int{}
	shipments := map[string]int{}
	for i, f := range facts {
		done[i] = make(chan struct{})
		switch b := f.Body.(type) {
		case lot.RunPosted:
			for _, out := range b.Outputs {
				makers[out.Lot] = append(makers[out.Lot], i)
			}
		case lot.Poured:
			makers[b.Bin] = append(makers[b.Bin], i)
		case lot.Returned:
			makers[b.Lot] = append(makers[b.Lot], i)
		case lot.Shipped:
			shipments[b.Shipment] = i
		}
	}
	client, slots := p.as("importer"), make(chan struct{}, 16)
	var all sync.WaitGroup
	n := 0
	for i, f := range facts {
		if f.Producer != lot.Inventory {
			continue
		}
		n++
		all.Go(func() {
			defer close(done[i])
			if r, ok := f.Body.(lot.Returned); ok {
				<-done[shipments[r.Shipment]]
			}
			for _, id := range f.Lots {
				if !slices.Contains(makers[id], i) {
					for _, j := range makers[id] {
						<-done[j]
					}
				}
			}
			slots <- struct{}{}
			defer func() { <-slots }()
			if err := p.command(client, f); err != nil {
				p.t.Errorf("%s: %v", f.Body.Kind(), err)
			}
		})
	}
	all.Wait()
	return n
}

func (p *plant) command(client inventoryv1.InventoryServiceClient, f lot.Recorded) error {
	ctx, id, at := p.t.Context(), uuid.NewString(), stamp(f.Effective)
	var err error
	switch b := f.Body.(type) {
	case lot.RunPosted:
		_, err = p.peer.PostMovement(ctx, &inventoryv1.PostMovementRequest{
			CommandId: id, Try: 1, Effective: at, Movement: &inventoryv1.PostMovementRequest_Run{Run: lotwire.RunPosted(b)},
		})
	case lot.Poured:
		_, err = client.RecordPour(ctx, &inventoryv1.RecordPourRequest{
			CommandId: id, Pour: b.Pour, BinLot: string(b.Bin), Lot: string(b.Lot), Quantity: int64(b.Quantity), Effective: at,
			Claimant: uuid.NewSHA1(uuid.NameSpaceOID, []byte(b.Bin)).String(),
		})
	case lot.Adjusted:
		_, err = client.AdjustLot(ctx, &inventoryv1.AdjustLotRequest{
			CommandId: id, Adjustment: b.Adjustment, Lot: string(b.Lot), Delta: int64(b.Delta), Reason: b.Reason, Effective: at,
		})
	case lot.Shipped:
		req := &inventoryv1.ShipGoodsRequest{
			CommandId: id, Shipment: b.Shipment, Kind: lotwire.Shipped(b).GetKind(), Consignee: string(b.Consignee), Channel: b.Channel, Effective: at,
		}
		req.Lines = lotwire.Shipped(b).GetLines()
		_, err = client.ShipGoods(ctx, req)
	case lot.Returned:
		_, err = client.ReturnGoods(ctx, &inventoryv1.ReturnGoodsRequest{
			CommandId: id, ReturnId: b.Return, Shipment: b.Shipment, Lot: string(b.Lot), Quantity: int64(b.Quantity), Effective: at,
		})
	default:
		err = fmt.Errorf("no command for %s", f.Body.Kind())
	}
	return err
}
