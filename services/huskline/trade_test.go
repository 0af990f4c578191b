package main

import (
	"context"
	"crypto/tls"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/planttest"
	"huskline/internal/rpc"
	"huskline/internal/weight"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

// trade is a business on a running plant, as its people send it commands.
type trade struct {
	*plant
	flags []string // how the command line reaches the plant
	start time.Time
}

// openTrade connects to a plant and registers the parties and items that the tests trade in.
func openTrade(t *testing.T, addr, token, ca string) *trade {
	t.Helper()
	var secure *tls.Config
	if ca != "" {
		var err error
		secure, err = callerTLS(ca)
		require.NoError(t, err)
	}
	addrs, err := parseAddr(addr)
	require.NoError(t, err)
	p, err := dialPlant(addrs, token, secure)
	require.NoError(t, err)
	t.Cleanup(p.close)
	tr := &trade{plant: p, start: time.Now().Add(-20 * 24 * time.Hour).UTC().Truncate(time.Second)}
	tr.flags = []string{"--addr", addr, "--token", token, "--format", "json"}
	if ca != "" {
		tr.flags = append(tr.flags, "--ca", ca)
	}
	tr.register(t)
	return tr
}

// register makes the parties and items known to every service that a later command may reach first.
func (tr *trade) register(t *testing.T) {
	t.Helper()
	for code, role := range map[string]eventv1.PartyRole{
		"G1": eventv1.PartyRole_PARTY_ROLE_SELLER, "K1": eventv1.PartyRole_PARTY_ROLE_CUSTOM_CLIENT, "C1": eventv1.PartyRole_PARTY_ROLE_CUSTOMER,
		"S1": eventv1.PartyRole_PARTY_ROLE_SUPPLIER,
	} {
		done(t, tr.intake.RegisterParty, &intakev1.RegisterPartyRequest{CommandId: id("party " + code), Party: &eventv1.PartyChanged{
			Party: code, Name: "Party " + code, Roles: []eventv1.PartyRole{role}, Address: "1 Grove Road", Phone: "555-0100",
		}})
	}
	const none = -1 // no split-off price
	for _, item := range []struct {
		code  string
		kind  eventv1.ItemKind
		price int64
	}{
		{"NUT", eventv1.ItemKind_ITEM_KIND_IN_SHELL, none}, {"CLEAN", eventv1.ItemKind_ITEM_KIND_IN_SHELL, none}, {"TRASH", eventv1.ItemKind_ITEM_KIND_WASTE, none},
		{"HALVES", eventv1.ItemKind_ITEM_KIND_KERNEL, 5_000_000}, {"PIECES", eventv1.ItemKind_ITEM_KIND_KERNEL, 4_000_000},
		{"MEAL", eventv1.ItemKind_ITEM_KIND_KERNEL, 2_000_000}, {"SHELL", eventv1.ItemKind_ITEM_KIND_BYPRODUCT, 15_000},
		{"KERNEL", eventv1.ItemKind_ITEM_KIND_KERNEL, none}, {"BAR", eventv1.ItemKind_ITEM_KIND_FINISHED, none},
		{"SUGAR", eventv1.ItemKind_ITEM_KIND_INGREDIENT, none},
	} {
		changed := &eventv1.ItemChanged{Item: item.code, Name: item.code, Kind: item.kind, Measure: eventv1.Measure_MEASURE_WEIGHT}
		if item.price != none {
			changed.SplitOffMicrosPerLb = &item.price
		}
		done(t, tr.intake.RegisterItem, &intakev1.RegisterItemRequest{CommandId: id("item " + item.code), Item: changed})
	}
}

// id is the command id of a name, the same at every call, so that a test can come again with it.
func id(name string) string { return uuid.NewSHA1(uuid.NameSpaceOID, []byte(name)).String() }

// lb and cents are whole pounds and cents in the contract's units.
func lb(n int64) int64 { return n * 1_000_000 }

func cents(n int64) int64 { return n * 10_000 }

// at is a time of the trade, by days and hours after it began.
func (tr *trade) at(day, hour int) *timestamppb.Timestamp {
	return timestamppb.New(tr.start.Add(time.Duration(day*24+hour) * time.Hour))
}

// call is a method of a client.
type call[Q, A any] = func(context.Context, Q, ...grpc.CallOption) (A, error)

// commandLimit is how long a command may be repeated while a service is away.
const commandLimit = 40 * time.Second

// send calls until the service answers, as any sender does that keeps its command's id; what is no answer yet is asked again.
func send[Q, A any](t *testing.T, method call[Q, A], req Q) (A, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), commandLimit)
	defer cancel()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	for {
		answer, err := method(ctx, req)
		if err = rpc.FromStatus(err); fault.KindOf(err) != fault.KindUnavailable || ctx.Err() != nil {
			return answer, err
		}
		<-tick.C
	}
}

// done is send for a command that has to be accepted.
func done[Q, A any](t *testing.T, method call[Q, A], req Q) A {
	t.Helper()
	answer, err := send(t, method, req)
	if err != nil {
		t.Fatalf("%T %v: %v", req, req, err)
	}
	return answer
}

// delivery is a company's delivery of so many pounds net at a price in millionths per pound.
func (tr *trade) delivery(lot string, pounds, micros int64, day int) *intakev1.RecordDeliveryRequest {
	return &intakev1.RecordDeliveryRequest{CommandId: id("deliver " + lot), Effective: tr.at(day, 0), Delivery: &intakev1.DeliveryFacts{
		Lot: lot, Party: "G1", Ownership: eventv1.Ownership_OWNERSHIP_COMPANY, Item: "NUT", PriceMicrosPerLb: &micros,
		Weighings: []*intakev1.Weighing{
			{Kind: intakev1.ReadingKind_READING_KIND_GROSS, Digits: digits(lb(pounds + 100)), Unit: "LBR"},
			{Kind: intakev1.ReadingKind_READING_KIND_TARE, Digits: "100", Unit: "LBR"},
		},
	}}
}

func digits(micropounds int64) string { return weight.FormatDecimal(micropounds, 6, 0) }

// custom makes a delivery a custom client's.
func custom(req *intakev1.RecordDeliveryRequest) *intakev1.RecordDeliveryRequest {
	req.Delivery.Ownership, req.Delivery.Party, req.Delivery.PriceMicrosPerLb = eventv1.Ownership_OWNERSHIP_CUSTOM, "K1", nil
	return req
}

func input(lot string, pounds int64) *productionv1.InputLine {
	return &productionv1.InputLine{Lot: lot, Quantity: lb(pounds)}
}

func output(lot, item string, pounds int64) *productionv1.OutputLine {
	role := eventv1.OutputRole_OUTPUT_ROLE_MAIN
	switch item {
	case "TRASH":
		role = eventv1.OutputRole_OUTPUT_ROLE_WASTE
	case "SHELL":
		role = eventv1.OutputRole_OUTPUT_ROLE_BYPRODUCT
	}
	return &productionv1.OutputLine{Lot: lot, Item: item, Quantity: lb(pounds), Role: role}
}

// pass is a whole run with one charge of kind other.
func (tr *trade) pass(run, stage string, day int, conversion int64, lines ...any) *productionv1.RecordRunRequest {
	facts := &productionv1.RunFacts{Run: run, Stage: stage, Start: tr.at(day, 1), End: tr.at(day, 2)}
	for _, line := range lines {
		switch line := line.(type) {
		case *productionv1.InputLine:
			facts.Inputs = append(facts.Inputs, line)
		case *productionv1.OutputLine:
			facts.Outputs = append(facts.Outputs, line)
		}
	}
	if conversion != 0 {
		facts.Charges = []*eventv1.ChargePosted{{Kind: eventv1.ChargeKind_CHARGE_KIND_OTHER, AmountMicros: conversion}}
	}
	return &productionv1.RecordRunRequest{CommandId: id("run " + run), Run: facts}
}

// sale ships pounds of lots to the customer.
func (tr *trade) sale(shipment string, day int, lines ...*eventv1.ShippedLine) *inventoryv1.ShipGoodsRequest {
	for i, l := range lines {
		l.Line = int64(i + 1)
	}
	return &inventoryv1.ShipGoodsRequest{
		CommandId: id("ship " + shipment), Shipment: shipment, Kind: eventv1.ShipmentKind_SHIPMENT_KIND_SALE, Consignee: "C1", Channel: "bulk",
		Lines: lines, Effective: tr.at(day, 3),
	}
}

func shipped(lot string, pounds int64) *eventv1.ShippedLine {
	return &eventv1.ShippedLine{Lot: lot, Quantity: lb(pounds)}
}

// ask prints what a client command prints, through the command line's own code.
func (tr *trade) ask(t *testing.T, args ...string) string {
	t.Helper()
	return mustPrint(t, append(append([]string{}, tr.flags...), args...)...)
}

// onHand is the pounds of a lot that inventory has.
func (tr *trade) onHand(t *testing.T, lot string) int64 {
	t.Helper()
	return done(t, tr.inventory.GetLot, &inventoryv1.GetLotRequest{Lot: lot}).GetLot().GetOnHand()
}

func (tr *trade) lotCost(t *testing.T, lot string) *productionv1.GetLotCostResponse {
	t.Helper()
	return done(t, tr.production.GetLotCost, &productionv1.GetLotCostRequest{Lot: lot})
}

func (tr *trade) totals(t *testing.T) *productionv1.GetBalanceResponse {
	t.Helper()
	return done(t, tr.production.GetBalance, &productionv1.GetBalanceRequest{})
}

// wantCents compares an amount in millionths with one in cents: they must print the same cent.
func wantCents(t *testing.T, what string, micros, want int64) {
	t.Helper()
	if got := micros - cents(want); got < -5_000 || got > 5_000 {
		t.Errorf("%s: %s, want %s", what, micro(micros, 2), micro(cents(want), 2))
	}
}

// threeTrade is a plant of three processes with its trade.
func threeTrade(t *testing.T) (*planttest.Three, *trade) {
	t.Helper()
	p := planttest.NewThree(t)
	return p, openTrade(t, p.Addr(), p.Token, p.CA)
}
