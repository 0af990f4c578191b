// Package reckon is intake's small exact calculators: pure functions from a JSON object to a JSON object, the same code that the service uses.
package reckon

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"

	"huskline/internal/fault"
)

// Calculators are the functions by the name they are called by.
func Calculators() map[string]func(json.RawMessage) (any, error) {
	return map[string]func(json.RawMessage) (any, error){"apportion": apportion}
}

// decode reads exactly one object; an unknown field is refused by name.
func decode(data json.RawMessage, into any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fault.Invalid("input_malformed", "input: %v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return fault.Invalid("input_malformed", "input: more than one JSON object")
	}
	return nil
}
