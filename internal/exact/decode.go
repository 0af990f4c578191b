package exact

import (
	"bytes"
	"encoding/json"
	"errors"
	"io"
	"reflect"
	"strings"
)

// reader is a type that takes its JSON itself.
type reader interface {
	read(raw json.RawMessage, path string) error
}

// Named is one member of a Table.
type Named struct {
	Name  string
	Value Number
}

// Table is a JSON object of numbers under names that the sender chose, in the order sent.
type Table []Named

// Find is the number under a name, and whether there is one.
func (t Table) Find(name string) (Number, bool) {
	for _, n := range t {
		if n.Name == name {
			return n.Value, true
		}
	}
	return Number{}, false
}

// Total adds all numbers up.
func (t Table) Total() Number {
	total := Number{}
	for _, n := range t {
		total = total.Add(n.Value)
	}
	return total
}

func (t *Table) read(raw json.RawMessage, path string) error {
	members, err := object(raw, path)
	if err != nil {
		return err
	}
	*t = Table{}
	for _, m := range members {
		var n Number
		if err := n.read(m.raw, join(path, m.name)); err != nil {
			return err
		}
		*t = append(*t, Named{m.name, n})
	}
	return nil
}

// Calculator wraps a typed calculator for JSON.
func Calculator[In, Out any](calculate func(In) (Out, error)) func(json.RawMessage) (any, error) {
	return func(data json.RawMessage) (any, error) {
		var in In
		if err := Decode(data, &in); err != nil {
			return nil, err
		}
		return calculate(in)
	}
}

// Decode reads exactly one JSON object into a struct of numbers, strings, tables, structs and lists of them. Every field has a json tag; one
// with omitempty may be left out or null, any other is required. An unknown field, one that is there twice and a value of another kind are
// refused with their path.
func Decode(data json.RawMessage, into any) error {
	d := json.NewDecoder(bytes.NewReader(data))
	var raw json.RawMessage
	if err := d.Decode(&raw); err != nil {
		return refusal("input_malformed", "", "%v", err)
	}
	if _, err := d.Token(); !errors.Is(err, io.EOF) {
		return refusal("input_malformed", "", "more than one JSON value")
	}
	return decode(raw, reflect.ValueOf(into).Elem(), "")
}

func decode(raw json.RawMessage, v reflect.Value, path string) error {
	if r, ok := v.Addr().Interface().(reader); ok {
		return r.read(raw, path)
	}
	switch v.Kind() {
	case reflect.Struct:
		return decodeStruct(raw, v, path)
	case reflect.Slice, reflect.Array:
		return decodeList(raw, v, path)
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		return decode(raw, v.Elem(), path)
	case reflect.String:
		if raw[0] != '"' {
			return refusal("field_malformed", path, "a string is expected")
		}
	}
	if err := json.Unmarshal(raw, v.Addr().Interface()); err != nil {
		return refusal("field_malformed", path, "%v", err)
	}
	return nil
}

func decodeStruct(raw json.RawMessage, v reflect.Value, path string) error {
	members, err := object(raw, path)
	if err != nil {
		return err
	}
	fields, required := map[string]reflect.Value{}, []string{}
	for i := range v.NumField() {
		name, options, _ := strings.Cut(v.Type().Field(i).Tag.Get("json"), ",")
		fields[name] = v.Field(i)
		if options != "omitempty" {
			required = append(required, name)
		}
	}
	given := map[string]bool{}
	for _, m := range members {
		field, known := fields[m.name]
		if !known {
			return refusal("field_unknown", join(path, m.name), "there is no such field")
		}
		if string(m.raw) == "null" {
			continue
		}
		given[m.name] = true
		if err := decode(m.raw, field, join(path, m.name)); err != nil {
			return err
		}
	}
	for _, name := range required {
		if !given[name] {
			return refusal("field_missing", join(path, name), "missing")
		}
	}
	return nil
}

func decodeList(raw json.RawMessage, v reflect.Value, path string) error {
	var members []json.RawMessage
	if raw[0] != '[' {
		return refusal("field_malformed", path, "a list is expected")
	}
	if err := json.Unmarshal(raw, &members); err != nil {
		return refusal("field_malformed", path, "%v", err)
	}
	if v.Kind() == reflect.Array {
		if len(members) != v.Len() {
			return refusal("field_malformed", path, "%d members, %d are expected", len(members), v.Len())
		}
	} else {
		v.Set(reflect.MakeSlice(v.Type(), len(members), len(members)))
	}
	for i, m := range members {
		if err := decode(m, v.Index(i), At(path, i, "")); err != nil {
			return err
		}
	}
	return nil
}

type member struct {
	name string
	raw  json.RawMessage
}

// object reads the members of a JSON object in order; a name that is there twice has two readings and is refused.
func object(raw json.RawMessage, path string) ([]member, error) {
	if raw[0] != '{' {
		return nil, refusal("field_malformed", path, "a JSON object is expected")
	}
	d := json.NewDecoder(bytes.NewReader(raw))
	_, _ = d.Token() // the opening brace; the text has been parsed once and is well formed
	var members []member
	seen := map[string]bool{}
	for d.More() {
		key, err := d.Token()
		if err != nil {
			return nil, refusal("input_malformed", path, "%v", err)
		}
		m := member{name: key.(string)}
		if err := d.Decode(&m.raw); err != nil {
			return nil, refusal("input_malformed", path, "%v", err)
		}
		if seen[m.name] {
			return nil, refusal("field_repeated", join(path, m.name), "it is there twice")
		}
		seen[m.name] = true
		members = append(members, m)
	}
	return members, nil
}

func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}
