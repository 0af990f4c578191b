package rpc_test

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

func TestPrintable(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		msg   proto.Message
		field string // of the refusal; empty: none
	}{
		{"letters of all kinds", &productionv1.OpenRunRequest{Line: "línea 2, 線", Recipe: "salted"}, ""},
		{"NUL", &productionv1.OpenRunRequest{Line: "a\x00"}, "line"},
		{"escape", &productionv1.OpenRunRequest{Recipe: "\x1b[2J"}, "recipe"},
		{"within", &productionv1.RecordRunRequest{Run: &productionv1.RunFacts{Recipe: "a\tb"}}, "run.recipe"},
		{"in a list of texts", &intakev1.RegisterItemRequest{Item: &eventv1.ItemChanged{Allergens: []string{"milk", "egg\x7f"}}}, "item.allergens"},
		{"in a list of messages", &intakev1.RecordDeliveryRequest{Delivery: &intakev1.DeliveryFacts{Charges: []*eventv1.LandedCharge{{}, {Name: "a\r"}}}}, "delivery.charges.name"},
		{"lines of an address", &intakev1.RegisterPartyRequest{Party: &eventv1.PartyChanged{Address: "Road 1\nOrchard"}}, ""},
		{"lines of a name", &intakev1.RegisterPartyRequest{Party: &eventv1.PartyChanged{Name: "a\nb"}}, "party.name"},
		{"lines of a reason", &intakev1.VoidDeliveryRequest{Reason: "twice\nentered"}, ""},
	} {
		err := rpc.Printable(c.msg)
		want := ""
		if c.field != "" {
			want = "text_malformed"
		}
		if fault.ReasonOf(err) != want || err != nil && !strings.HasPrefix(err.Error(), "field "+c.field+",") {
			t.Errorf("%s: %v, want field %q", c.name, err, c.field)
		}
	}
}
