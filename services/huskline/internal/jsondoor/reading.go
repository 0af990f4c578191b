package jsondoor

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/fault"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// reading reads one reading, a unit in its usual spelling as its code. Of one that cannot be read it gives what can, and the first thing that cannot as
// its defect.
func reading(text []byte) *intakev1.Reading {
	r := &intakev1.Reading{}
	if protojson.Unmarshal(text, r) == nil {
		r.Unit = weight.Code(r.Unit)
		return r
	}
	r, err := partly(text)
	r.Unit = weight.Code(r.Unit)
	if err == nil {
		err = fault.Invalid("reading_malformed", "reading %s: it is no reading in JSON", shown(text))
	}
	r.Defect = &intakev1.ReadingDefect{Reason: fault.ReasonOf(err), Message: err.Error()}
	return r
}

// partly reads field by field; the error is the first that cannot be read.
func partly(text []byte) (*intakev1.Reading, error) {
	r := &intakev1.Reading{}
	members, err := object(text)
	if err != nil {
		return r, fault.Invalid("reading_malformed", "a reading is a JSON object: %v", err)
	}
	var first error
	seen := map[protoreflect.Name]bool{}
	for _, m := range members {
		f, err := field(r, m.name)
		if err == nil && seen[f.Name()] {
			err = fault.Invalid("field_twice", "field %s: it stands twice", m.name)
		}
		if err == nil {
			seen[f.Name()] = true
			err = set(r, f, m.value)
		}
		if first == nil {
			first = err
		}
	}
	return r, first
}

// field finds a field by its name in JSON or in the contract.
func field(r *intakev1.Reading, name string) (protoreflect.FieldDescriptor, error) {
	all := r.ProtoReflect().Descriptor().Fields()
	for i := range all.Len() {
		if f := all.Get(i); f.JSONName() == name || string(f.Name()) == name {
			return f, nil
		}
	}
	var known []string
	for i := range all.Len() {
		known = append(known, all.Get(i).JSONName())
	}
	slices.Sort(known)
	return nil, fault.Invalid("field_unknown", "field %s: known are %s", shown([]byte(name)), strings.Join(known, ", "))
}

// set reads one value into its field, or leaves the field and says what the value has to be.
func set(r *intakev1.Reading, f protoreflect.FieldDescriptor, value []byte) error {
	name, err := json.Marshal(f.JSONName())
	if err != nil {
		return err
	}
	one := &intakev1.Reading{}
	if protojson.Unmarshal(slices.Concat([]byte("{"), name, []byte(":"), value, []byte("}")), one) == nil {
		proto.Merge(r, one)
		return nil
	}
	if !utf8.Valid(value) {
		return fault.Invalid("not_utf8", "field %s: %s is not UTF-8", f.JSONName(), shown(value))
	}
	reason, rule := ruleOf(f)
	return fault.Invalid(reason, "field %s: %s: %s", f.JSONName(), shown(value), rule)
}

// ruleOf says what a field takes, under the reasons that feeds of lines have too.
func ruleOf(f protoreflect.FieldDescriptor) (reason, rule string) {
	switch f.Kind() {
	case protoreflect.Int64Kind:
		return "sequence_malformed", "only a whole number up to 9223372036854775807 is allowed"
	case protoreflect.Int32Kind:
		return "range_malformed", "only a whole number up to 2147483647 is allowed"
	case protoreflect.BoolKind:
		return "flag_malformed", "only true and false are allowed"
	case protoreflect.EnumKind:
		values, names := f.Enum().Values(), []string{}
		for i := 1; i < values.Len(); i++ {
			names = append(names, string(values.Get(i).Name()))
		}
		return "kind_unknown", "only " + strings.Join(names, ", ") + " are allowed"
	case protoreflect.MessageKind:
		if f.Message().FullName() == "google.protobuf.Timestamp" {
			return "time_malformed", "only RFC 3339 with a zone is allowed, such as 2024-10-18T07:21:00Z"
		}
	case protoreflect.StringKind:
		return "text_malformed", "only text in quotes is allowed, digits too, so that none is lost"
	}
	return "field_malformed", "it cannot be read"
}

// maxShown is what is shown of a value in a message.
const maxShown = 60

// shown is a value as it came, where that can be printed.
func shown(value []byte) string {
	more := ""
	if len(value) > maxShown {
		value, more = value[:maxShown], " …"
	}
	if len(value) == 0 || !utf8.Valid(value) || bytes.ContainsFunc(value, unicode.IsControl) {
		return fmt.Sprintf("%q%s", value, more)
	}
	return string(value) + more
}
