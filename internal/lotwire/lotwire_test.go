package lotwire_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/stretchr/testify/require"
	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"huskline/internal/fault"
	"huskline/internal/lot"
	"huskline/internal/lotwire"
	eventv1 "huskline/proto/huskline/event/v1"
)

const eventID = "01936f3a-5b00-7c41-9a6e-0242ac120002"

func envelope(t require.TestingT, e lot.Event, actor string, after []lot.Receipt) *eventv1.Envelope {
	payload, err := lotwire.Marshal(eventID, actor, after, e)
	require.NoError(t, err)
	return &eventv1.Envelope{
		Producer: "inventory", Epoch: 2, Position: 7, RecordedMicros: time.Date(2025, 1, 2, 3, 4, 5, 6000, time.UTC).UnixMicro(),
		PreviousHash: make([]byte, 32), Payload: payload, Type: e.Body.Kind(),
	}
}

// Catches a field that is written and not read, or the other way round, or mixed up with a neighbour: every body, any values.
func TestRoundTrip(t *testing.T) {
	t.Parallel()
	for _, zero := range bodies() {
		t.Run(zero.Kind(), func(t *testing.T) {
			t.Parallel()
			rapid.Check(t, func(t *rapid.T) {
				d := drawn{t}
				want := lot.Recorded{
					Receipt: lot.Receipt{Producer: "inventory", Epoch: 2, Position: 7}, EventID: eventID,
					RecordedAt: time.Date(2025, 1, 2, 3, 4, 5, 6000, time.UTC), Actor: d.text(),
					After: fill(d, []lot.Receipt(nil)),
					Event: lot.Event{Lots: fill(d, []lot.ID(nil)), Effective: fill(d, time.Time{}), Body: fillBody(d, zero)},
				}
				data, err := lotwire.EnvelopeBytes(envelope(t, want.Event, want.Actor, want.After))
				require.NoError(t, err)
				env, err := lotwire.ParseEnvelope(data)
				require.NoError(t, err)
				got, err := lotwire.Unmarshal(env)
				require.NoError(t, err)
				if diff := cmp.Diff(want, got); diff != "" {
					t.Fatalf("round trip of %s, want -, got +:\n%s", zero.Kind(), diff)
				}
			})
		})
	}
}

// Catches a field of the contract that no Go field is written to: with every Go field set, every wire field must be.
func TestEveryFieldOfTheContractIsWritten(t *testing.T) {
	t.Parallel()
	written := map[protoreflect.FullName]bool{}
	for _, zero := range bodies() {
		env := envelope(t, fullEvent(zero), "press-3", fill(&counting{}, []lot.Receipt(nil)))
		var m eventv1.Event
		require.NoError(t, proto.Unmarshal(env.GetPayload(), &m))
		note(m.ProtoReflect(), written)
	}
	all := (&eventv1.Event{}).ProtoReflect().Descriptor()
	for _, name := range fieldsOf(all, map[protoreflect.FullName]bool{}) {
		if !written[name] {
			t.Errorf("field %s: nothing writes it", name)
		}
	}
}

func note(m protoreflect.Message, written map[protoreflect.FullName]bool) {
	m.Range(func(f protoreflect.FieldDescriptor, v protoreflect.Value) bool {
		written[f.FullName()] = true
		switch {
		case f.Message() == nil:
		case f.IsList():
			for i := range v.List().Len() {
				note(v.List().Get(i).Message(), written)
			}
		default:
			note(v.Message(), written)
		}
		return true
	})
}

func fieldsOf(d protoreflect.MessageDescriptor, seen map[protoreflect.FullName]bool) []protoreflect.FullName {
	if seen[d.FullName()] || d.ParentFile().Package() != "huskline.event.v1" {
		return nil
	}
	seen[d.FullName()] = true
	var names []protoreflect.FullName
	for i := range d.Fields().Len() {
		f := d.Fields().Get(i)
		names = append(names, f.FullName())
		if f.Message() != nil {
			names = append(names, fieldsOf(f.Message(), seen)...)
		}
	}
	return names
}

func TestUnmarshalRefuses(t *testing.T) {
	t.Parallel()
	good := envelope(t, fullEvent(lot.Moved{}), "press-3", nil)
	withField := func(number protowire.Number) []byte {
		m := protowire.AppendTag(nil, 1, protowire.BytesType)
		m = protowire.AppendString(m, eventID)
		m = protowire.AppendTag(m, number, protowire.BytesType)
		return protowire.AppendBytes(m, nil)
	}
	noMeasure, err := proto.Marshal(&eventv1.Event{Body: &eventv1.Event_LotPoured{LotPoured: &eventv1.LotPoured{}}})
	require.NoError(t, err)
	laterRole, err := proto.Marshal(&eventv1.Event{Body: &eventv1.Event_PartyChanged{PartyChanged: &eventv1.PartyChanged{Roles: []eventv1.PartyRole{99}}}})
	require.NoError(t, err)
	tests := []struct {
		name, kind string
		payload    []byte
		want       string
	}{
		{"a body of a later contract", "lot-graded", withField(99), "event_unknown"},
		{"no body", "lot-moved", nil, "event_unknown"},
		{"bytes that are no event", "lot-moved", []byte{0xff}, "event_malformed"},
		{"another type on the envelope", "lot-held", good.GetPayload(), "event_malformed"},
		{"a measure not given", "lot-poured", noMeasure, "enum_unknown"},
		{"a role of a later contract", "party-changed", laterRole, "enum_unknown"},
		{"a corrected run without its parts", "run-corrected", withField(62), "event_malformed"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			r, err := lotwire.Unmarshal(&eventv1.Envelope{Producer: "inventory", Epoch: 1, Position: 9, Type: tt.kind, Payload: tt.payload})
			if got := fault.ReasonOf(err); got != tt.want || fault.KindOf(err) != fault.KindInvalid {
				t.Errorf("reason = %q (%v), want %q of kind invalid", got, err, tt.want)
			}
			// Whoever sets the event aside must be able to say which one it is.
			if want := (lot.Receipt{Producer: "inventory", Epoch: 1, Position: 9}); r.Receipt != want {
				t.Errorf("receipt = %v, want %v", r.Receipt, want)
			}
		})
	}
}

// Catches an event kept for good that nobody can read.
func TestMarshalRefuses(t *testing.T) {
	t.Parallel()
	for name, e := range map[string]lot.Event{
		"no body":           {},
		"enumeration at 0":  {Body: lot.Poured{Pour: "P-1"}},
		"enumeration at 99": {Body: lot.Held{Class: 99}},
		"a pointer":         {Body: &lot.Moved{}},
		"text not UTF-8":    {Body: lot.Moved{Movement: "\xff"}},
		"moisture of 200 %": {Body: lot.RunPosted{Inputs: []lot.RunInput{{MoisturePPM: 2_000_000}}}},
		"year 10000":        {Body: lot.RunOpened{Start: time.Date(10000, 1, 1, 0, 0, 0, 0, time.UTC)}},
	} {
		_, err := lotwire.Marshal(eventID, "press-3", nil, e)
		var bug *fault.BugError
		if !errors.As(err, &bug) {
			t.Errorf("%s: err = %v, want a bug", name, err)
		}
	}
}

func TestTimesAreCutToTheMicrosecond(t *testing.T) {
	t.Parallel()
	at := time.Date(2025, 1, 2, 3, 4, 5, 6999, time.FixedZone("", 3600))
	got, err := lotwire.ParseTime(lotwire.Time(at))
	require.NoError(t, err)
	if want := time.Date(2025, 1, 2, 2, 4, 5, 6000, time.UTC); got != want {
		t.Errorf("time = %v, want %v", got, want)
	}
}

func TestVerifyNoticesEveryChange(t *testing.T) {
	t.Parallel()
	sealed := func(change func(*eventv1.Envelope)) *eventv1.Envelope {
		env := envelope(t, fullEvent(lot.Moved{}), "press-3", nil)
		env.Hash = lotwire.Hash(env)
		change(env)
		return env
	}
	require.NoError(t, lotwire.Verify(sealed(func(*eventv1.Envelope) {})))
	for name, change := range map[string]func(*eventv1.Envelope){
		"epoch":    func(e *eventv1.Envelope) { e.Epoch++ },
		"position": func(e *eventv1.Envelope) { e.Position++ },
		"recorded": func(e *eventv1.Envelope) { e.RecordedMicros++ },
		"previous": func(e *eventv1.Envelope) { e.PreviousHash = bytes.Repeat([]byte{1}, 32) },
		"short":    func(e *eventv1.Envelope) { e.PreviousHash = nil; e.Hash = lotwire.Hash(e) },
		"payload":  func(e *eventv1.Envelope) { e.Payload[3] ^= 1 },
	} {
		if err := lotwire.Verify(sealed(change)); fault.ReasonOf(err) != "envelope_hash" {
			t.Errorf("changed %s: err = %v, want reason envelope_hash", name, err)
		}
	}
}

func FuzzParseEnvelope(f *testing.F) {
	env := envelope(f, fullEvent(lot.RunPosted{}), "press-3", nil)
	data, err := lotwire.EnvelopeBytes(env)
	require.NoError(f, err)
	f.Add(data)
	f.Fuzz(func(t *testing.T, data []byte) {
		env, err := lotwire.ParseEnvelope(data)
		if err != nil {
			return
		}
		r, err := lotwire.Unmarshal(env)
		if err != nil {
			return
		}
		// What can be read can be said again, and then reads the same.
		payload, err := lotwire.Marshal(r.EventID, r.Actor, r.After, r.Event)
		require.NoError(t, err)
		again, err := lotwire.Unmarshal(&eventv1.Envelope{
			Producer: env.Producer, Epoch: env.Epoch, Position: env.Position, RecordedMicros: env.RecordedMicros, Type: env.Type, Payload: payload,
		})
		require.NoError(t, err)
		if diff := cmp.Diff(r, again); diff != "" {
			t.Errorf("read, said, read again:\n%s", diff)
		}
	})
}
