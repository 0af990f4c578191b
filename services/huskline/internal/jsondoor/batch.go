package jsondoor

import (
	"bytes"
	"encoding/json"
	"io"
	"slices"

	"github.com/grpc-ecosystem/grpc-gateway/v2/runtime"
	"google.golang.org/protobuf/encoding/protojson"

	"huskline/internal/fault"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Marshaler is the JSON of the door. A misspelt field would be a price or a hold that silently is none, so unknown ones are refused by name; answers name
// all their fields.
func Marshaler() runtime.Marshaler {
	return byReading{&runtime.JSONPb{MarshalOptions: protojson.MarshalOptions{EmitUnpopulated: true}}}
}

// byReading reads a batch of readings one by one.
type byReading struct{ *runtime.JSONPb }

// NewDecoder decodes the body of a request.
func (b byReading) NewDecoder(body io.Reader) runtime.Decoder {
	return runtime.DecoderFunc(func(v any) error {
		batch, ok := v.(*intakev1.PostReadingsRequest)
		if !ok {
			return b.JSONPb.NewDecoder(body).Decode(v)
		}
		text, err := io.ReadAll(body)
		if err != nil {
			return err
		}
		if len(bytes.Trim(text, blank)) == 0 {
			return io.EOF // no message: refused by its rules of form
		}
		return Batch(text, batch)
	})
}

// maxReadings is the contract's limit. It is looked at here too, since what was read of a message takes far more room than its text.
const maxReadings = 10_000

// Batch reads a message with readings. A reading that cannot be read has a defect; an error is of the message as a whole.
func Batch(text []byte, into *intakev1.PostReadingsRequest) error {
	members, err := object(text)
	if err != nil {
		return err
	}
	at := slices.IndexFunc(members, isReadings)
	var readings []byte
	if at >= 0 {
		readings = members[at].value
		members = slices.Delete(members, at, at+1)
	}
	if slices.ContainsFunc(members, isReadings) {
		return fault.Invalid("field_twice", "field readings: it stands twice")
	}
	rest, err := joined(members)
	if err != nil {
		return err
	}
	if err := protojson.Unmarshal(rest, into); err != nil {
		return err
	}
	if readings == nil || string(readings) == "null" {
		return nil
	}
	list, err := parts(readings, '[', ']')
	switch {
	case err != nil:
		return fault.Invalid(fault.ReasonOf(err), "field readings: %v", err)
	case len(list) > maxReadings:
		return fault.Invalid("readings_too_many", "field readings: %d readings, at most %d are allowed in one message", len(list), maxReadings)
	}
	for _, one := range list {
		into.Readings = append(into.Readings, reading(one))
	}
	return nil
}

func isReadings(m member) bool { return m.name == "readings" }

// joined is an object of members.
func joined(members []member) ([]byte, error) {
	out := []byte{'{'}
	for i, m := range members {
		if i > 0 {
			out = append(out, ',')
		}
		name, err := json.Marshal(m.name)
		if err != nil {
			return nil, err
		}
		out = append(append(append(out, name...), ':'), m.value...)
	}
	return append(out, '}'), nil
}
