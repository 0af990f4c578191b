package sim

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/lot"
	"huskline/internal/lotwire"
	"huskline/internal/money"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// request makes a command of a message. Its id is filled in when it is sent. alter makes another message of it; nil: there is none.
func request[Q, A proto.Message](to lot.Producer, name string, req Q, call func(context.Context, Q) (A, error), alter func(Q)) *op {
	send := func(ctx context.Context, id string, req Q) (proto.Message, error) {
		m := proto.CloneOf(req)
		m.ProtoReflect().Set(m.ProtoReflect().Descriptor().Fields().ByName("command_id"), protoreflect.ValueOfString(id))
		answer, err := call(ctx, m)
		if err != nil {
			return nil, err
		}
		return answer, nil
	}
	o := &op{name: name, to: to, asked: req, send: func(ctx context.Context, id string) (proto.Message, error) { return send(ctx, id, req) }}
	if alter != nil {
		changed := proto.CloneOf(req)
		alter(changed)
		o.other = func(ctx context.Context, id string) (proto.Message, error) { return send(ctx, id, changed) }
	}
	return o
}

// The items: in-shell nuts, kernels with and without a split-off price, shell and what is thrown away.
const (
	inShell = "IS"
	halves  = "K-halves"
	pieces  = "K-pieces"
	shell   = "S-shell"
	trash   = "W-trash"
	packs   = "F-packs"
)

// packUnit is the weight of a pack.
const packUnit lot.Quantity = 500_000

// The parties.
const (
	grower   = "grower"
	clientA  = "client-a"
	clientB  = "client-b"
	customer = "customer"
)

// setup registers what all else names, one after the other.
func (w *World) setup() {
	w.plant.ledger, w.plant.refused = newLedger(), map[string]int{}
	start := w.now.Add(-24 * time.Hour)
	roles := map[string][]lot.PartyRole{
		grower: {lot.Seller}, clientA: {lot.CustomClient, lot.Seller}, clientB: {lot.CustomClient}, customer: {lot.Customer},
	}
	var ops []*op
	for _, id := range []string{grower, clientA, clientB, customer} {
		req := &intakev1.RegisterPartyRequest{Party: lotwire.PartyChanged(lot.PartyChanged{Party: lot.PartyID(id), Name: id, Roles: roles[id]})}
		ops = append(ops, request(lot.Intake, "register party", req, func(ctx context.Context, r *intakev1.RegisterPartyRequest) (*intakev1.RegisterPartyResponse, error) {
			return w.intake.Register().RegisterParty(ctx, r)
		}, nil))
	}
	for _, i := range items() {
		req := &intakev1.RegisterItemRequest{Item: lotwire.ItemChanged(i), Effective: lotwire.Time(start)}
		ops = append(ops, request(lot.Intake, "register item", req, func(ctx context.Context, r *intakev1.RegisterItemRequest) (*intakev1.RegisterItemResponse, error) {
			return w.intake.Register().RegisterItem(ctx, r)
		}, nil))
	}
	for _, id := range []string{"W1", "W2", "B1", "B2"} {
		req := &inventoryv1.RegisterPlaceRequest{Place: &inventoryv1.Place{Place: id, Name: id, Bin: id[0] == 'B'}}
		ops = append(ops, request(lot.Inventory, "register place", req, func(ctx context.Context, r *inventoryv1.RegisterPlaceRequest) (*inventoryv1.RegisterPlaceResponse, error) {
			return w.inventory.Goods().RegisterPlace(ctx, r)
		}, nil))
	}
	for _, a := range accounts() {
		req := &inventoryv1.RegisterReasonRequest{Reason: a.Name, Account: lotwire.Account(a)}
		ops = append(ops, request(lot.Inventory, "register reason", req, func(ctx context.Context, r *inventoryv1.RegisterReasonRequest) (*inventoryv1.RegisterReasonResponse, error) {
			return w.inventory.Goods().RegisterReason(ctx, r)
		}, nil))
	}
	w.spawn("", "setup", func() {
		for _, o := range ops {
			w.finish(o)
			if o.refusal != nil {
				w.fail(o.refusal)
			}
		}
	})
}

func accounts() []lot.Account {
	return []lot.Account{{Name: "moisture"}, {Name: "count", WritesOff: true, Unexplains: true}, {Name: "given-away", WritesOff: true}}
}

func items() []lot.ItemChanged {
	price := func(micros int64) *money.Price {
		p := money.Price(micros)
		return &p
	}
	return []lot.ItemChanged{
		{Item: inShell, Name: "in-shell", ItemKind: lot.InShell, Measure: lot.ByWeight},
		{Item: halves, Name: "halves", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: price(4_310_000)},
		{Item: pieces, Name: "pieces", ItemKind: lot.Kernel, Measure: lot.ByWeight, SplitOff: price(2_770_000)},
		{Item: shell, Name: "shell", ItemKind: lot.ByProductItem, Measure: lot.ByWeight, SplitOff: price(40_000)},
		{Item: packs, Name: "packs", ItemKind: lot.Finished, Measure: lot.ByCount, Unit: weight.Mass(packUnit), SplitOff: price(3_000_000)},
		{Item: trash, Name: "trash", ItemKind: lot.WasteItem, Measure: lot.ByWeight},
	}
}
