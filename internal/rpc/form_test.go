package rpc

import (
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	eventv1 "huskline/proto/huskline/event/v1"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
)

const someID = "3f2504e0-4f89-41d3-9a0c-0305e82c3301"

// A refusal of form names the field, what stands there and the limit, and no rule or pattern of the contract's own language.
func TestFormsAreToldInWords(t *testing.T) {
	t.Parallel()
	long := strings.Repeat("x", 501)
	for _, row := range []struct {
		message proto.Message
		want    string
	}{
		{&inventoryv1.EmptyBinRequest{CommandId: "one", BinLot: "B-1", Effective: timestamppb.Now()}, `field command_id "one": only a UUID is allowed, such as ` + someID},
		{&inventoryv1.EmptyBinRequest{CommandId: someID, BinLot: "B 1", Effective: timestamppb.Now()},
			`field bin_lot "B 1": only 1 to 64 printable ASCII characters without blanks are allowed`},
		{&inventoryv1.EmptyBinRequest{CommandId: someID, BinLot: "B-1"}, "field effective: it is missing"},
		{&inventoryv1.PlaceHoldRequest{CommandId: someID, Lot: "L", Class: 77, Reason: long, Effective: timestamppb.Now()},
			"field class: value 77: only HOLD_CLASS_SAFETY, HOLD_CLASS_COMMERCIAL are allowed; field reason: 501 characters, at most 500 are allowed"},
		{&inventoryv1.PlaceHoldRequest{CommandId: someID, Lot: "L", Effective: timestamppb.Now()},
			"field class: value 0: only HOLD_CLASS_SAFETY, HOLD_CLASS_COMMERCIAL are allowed; field reason: it is empty"},
		{&inventoryv1.ListLotsRequest{PageSize: 1001}, "field page_size: 1001: must be greater than or equal to 0 and less than or equal to 1000"},
		{&inventoryv1.ClaimLotsRequest{CommandId: someID}, "field claims: 0 entries, at least 1 are required"},
	} {
		err := WellFormed(row.message)
		if err == nil || fault.ReasonOf(err) != "form" || err.Error() != row.want {
			t.Errorf("%v:\n%v\nwant\n%s", row.message, err, row.want)
		}
	}
}

// An answer that never came is told without the transport's own words. The address is one that nobody listens on: port 1 of this machine.
func TestNoConnectionIsToldPlainly(t *testing.T) {
	t.Parallel()
	conn, err := Dial(DialConfig{Target: "127.0.0.1:1"})
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close()) }()
	_, err = intakev1.NewIntakeServiceClient(conn).GetHead(t.Context(), &intakev1.GetHeadRequest{})
	if got, want := FromStatus(err).Error(), "no connection: dial tcp 127.0.0.1:1: connect: connection refused"; got != want {
		t.Errorf("said %q, want %q", got, want)
	}
	if fault.KindOf(FromStatus(err)) != fault.KindUnavailable {
		t.Errorf("kind %v, want unavailable", fault.KindOf(FromStatus(err)))
	}
}

// Every pattern of the contracts has its words, so that none is shown to people.
func TestPatternsHaveWords(t *testing.T) {
	t.Parallel()
	seen := map[string]bool{}
	for _, file := range []protoreflect.FileDescriptor{
		eventv1.File_huskline_event_v1_event_proto, eventv1.File_huskline_event_v1_body_proto, eventv1.File_huskline_event_v1_visit_proto, intakev1.File_huskline_intake_v1_intake_proto,
		intakev1.File_huskline_intake_v1_visit_proto, intakev1.File_huskline_intake_v1_scale_proto, inventoryv1.File_huskline_inventory_v1_inventory_proto,
		productionv1.File_huskline_production_v1_production_proto,
	} {
		for i := range file.Messages().Len() {
			patternsOf(file.Messages().Get(i), seen)
		}
	}
	if len(seen) < 5 {
		t.Fatalf("found patterns %v, want all of the contracts", seen)
	}
	for pattern := range seen {
		if _, err := regexp.Compile(pattern); err != nil || inWords(pattern) == "" {
			t.Errorf("pattern %s has no words (%v)", pattern, err)
		}
	}
}

func patternsOf(m protoreflect.MessageDescriptor, seen map[string]bool) {
	for i := range m.Fields().Len() {
		rules, _ := proto.GetExtension(m.Fields().Get(i).Options(), validate.E_Field).(*validate.FieldRules)
		for _, r := range []*validate.FieldRules{rules, rules.GetRepeated().GetItems()} {
			if p := r.GetString().GetPattern(); p != "" {
				seen[p] = true
			}
		}
	}
	for i := range m.Messages().Len() {
		patternsOf(m.Messages().Get(i), seen)
	}
}
