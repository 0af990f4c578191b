package lotwire_test

import (
	"fmt"
	"reflect"
	"strings"
	"time"

	"pgregory.net/rapid"

	"huskline/internal/lot"
)

// bodies is one of every event body, in the order of the contract.
func bodies() []lot.Body {
	return []lot.Body{
		lot.PartyChanged{}, lot.ItemChanged{}, lot.ReadingsStored{}, lot.Received{}, lot.PriceSettled{}, lot.DeliveryCorrected{}, lot.Bought{},
		lot.RunPosted{}, lot.Poured{}, lot.BinEmptied{}, lot.Adjusted{}, lot.Shipped{}, lot.Returned{}, lot.Moved{}, lot.Held{}, lot.HoldEnded{},
		lot.Disposed{}, lot.Corrected{},
		lot.RunOpened{}, lot.RunCompleted{}, lot.RunCorrected{}, lot.ChargePosted{},
		lot.VehicleChanged{}, lot.VisitWeighed{}, lot.VisitClosed{}, lot.TareStored{}, lot.WeightKeyed{},
		lot.WeightMatched{}, lot.TicketIssued{}, lot.TicketMarked{}, lot.ReadingDiscarded{},
	}
}

// source gives values to fill a body with.
type source interface {
	text() string
	whole(low, high int64) int64
	flag() bool
	length() int   // of a list
	present() bool // an optional value, a time that is not zero
}

// drawn gives any values.
type drawn struct{ t *rapid.T }

func (d drawn) text() string                { return rapid.StringN(0, 12, 40).Draw(d.t, "text") }
func (d drawn) whole(low, high int64) int64 { return rapid.Int64Range(low, high).Draw(d.t, "whole") }
func (d drawn) flag() bool                  { return rapid.Bool().Draw(d.t, "flag") }
func (d drawn) length() int                 { return rapid.IntRange(0, 3).Draw(d.t, "length") }
func (d drawn) present() bool               { return rapid.Bool().Draw(d.t, "present") }

// counting gives each field another value, none of them zero or absent, and always the same ones.
type counting struct{ n int64 }

func (c *counting) next() int64 { c.n++; return c.n }

func (c *counting) text() string { return fmt.Sprintf("text-%d", c.next()) }
func (c *counting) whole(low, high int64) int64 {
	if high-low < 1000 && high-low >= 0 {
		return low + c.next()%(high-low+1)
	}
	return 1000 + c.next()
}
func (c *counting) flag() bool    { return true }
func (c *counting) length() int   { return 2 }
func (c *counting) present() bool { return true }

// enums is how many values each enumeration has beside "not given".
func enums() map[reflect.Type]int64 {
	return map[reflect.Type]int64{
		reflect.TypeFor[lot.Measure](): 2, reflect.TypeFor[lot.PartyRole](): 5, reflect.TypeFor[lot.ItemKind](): 7,
		reflect.TypeFor[lot.Ownership](): 3, reflect.TypeFor[lot.Source](): 2, reflect.TypeFor[lot.Role](): 3, reflect.TypeFor[lot.ShipmentKind](): 3,
		reflect.TypeFor[lot.HoldClass](): 2, reflect.TypeFor[lot.Disposition](): 5, reflect.TypeFor[lot.ChargeKind](): 3,
		reflect.TypeFor[lot.Draft](): 4, reflect.TypeFor[lot.TicketMark](): 3,
	}
}

func fill[V any](s source, v V) V {
	set(s, "", reflect.ValueOf(&v).Elem())
	return v
}

func fillBody(s source, zero lot.Body) lot.Body {
	v := reflect.New(reflect.TypeOf(zero)).Elem()
	set(s, "", v)
	return v.Interface().(lot.Body)
}

func fullEvent(zero lot.Body) lot.Event {
	c := &counting{}
	return lot.Event{Lots: fill(c, []lot.ID(nil)), Effective: fill(c, time.Time{}), Body: fillBody(c, zero)}
}

// set fills v. A share in parts per million is told by its field's name, since its type is a plain number.
func set(s source, field string, v reflect.Value) {
	if n, ok := enums()[v.Type()]; ok {
		v.SetInt(s.whole(1, n))
		return
	}
	if v.Type() == reflect.TypeFor[time.Time]() {
		if s.present() {
			v.Set(reflect.ValueOf(time.UnixMicro(s.whole(0, 4_000_000_000_000_000)).UTC()))
		}
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(s.text())
	case reflect.Bool:
		v.SetBool(s.flag())
	case reflect.Int64:
		switch {
		case !strings.HasSuffix(field, "PPM"):
			v.SetInt(s.whole(-1<<62, 1<<62))
		case s.present():
			v.SetInt(s.whole(0, 1_000_000))
		default:
			v.SetInt(-1)
		}
	case reflect.Pointer:
		if s.present() {
			v.Set(reflect.New(v.Type().Elem()))
			set(s, field, v.Elem())
		}
	case reflect.Slice:
		if n := s.length(); n > 0 {
			v.Set(reflect.MakeSlice(v.Type(), n, n))
		}
		for i := range v.Len() {
			set(s, field, v.Index(i))
		}
	case reflect.Uint8:
		v.SetUint(uint64(s.whole(0, 255)))
	case reflect.Struct:
		for i := range v.NumField() {
			set(s, v.Type().Field(i).Name, v.Field(i))
		}
	default:
		panic("no values for " + v.Type().String())
	}
}
