package seasonfile

import (
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"huskline/internal/lot"
	"huskline/internal/money"
	"huskline/internal/weight"
)

// The contracts bound text, in characters: a name that rows refer to, a short text such as a variety, any other text.
const (
	maxKey   = 64
	maxShort = 100
	maxText  = 500
)

// record is one row while its cells are read. Each method reads a column by its rule; a fault is listed and gives the zero value.
type record struct {
	row
	table *table
	width int
}

func (r *record) fail(field, rule, format string, args ...any) {
	r.broken = true
	r.table.faults.add(r.Where, field, rule, format, args...)
}

func (r *record) failErr(field string, err error) {
	r.broken = true
	r.table.faults.addErr(r.Where, field, err)
}

// cell is the text of a column, empty where the file does not have it.
func (r *record) cell(field string) string {
	s := r.table.schema
	if i := slices.Index(s.required, field); i >= 0 {
		return r.table.cells[i]
	}
	return r.table.cells[len(s.required)+slices.Index(s.optional, field)]
}

// text is free text, possibly empty.
func (r *record) text(field string) string { return r.upTo(field, maxText) }

// short is a short free text, possibly empty.
func (r *record) short(field string) string { return r.upTo(field, maxShort) }

func (r *record) upTo(field string, most int) string {
	s := r.cell(field)
	if n := utf8.RuneCountInString(s); n > most {
		r.fail(field, "text_too_long", "%q: %d characters, at most %d are allowed", clip(s), n, most)
	}
	return strings.Clone(s)
}

// someText is free text that must not be empty.
func (r *record) someText(field string) string {
	s := r.text(field)
	if s == "" {
		r.fail(field, "empty", "the cell is empty; a value is required")
	}
	return s
}

// key is a name that other rows refer to: 1 to 64 printable ASCII characters without blanks.
func (r *record) key(field string) string {
	s := r.cell(field)
	bad := strings.ContainsFunc(s, func(c rune) bool { return c <= ' ' || c > '~' })
	switch {
	case s == "":
		r.fail(field, "empty", "the cell is empty; a value is required")
	case len(s) > maxKey || bad:
		r.fail(field, "key_malformed", "%q: 1 to %d printable ASCII characters without blanks are allowed", clip(s), maxKey)
	}
	return strings.Clone(s)
}

// lot is a lot code; one that has our own shape must carry the right check character.
func (r *record) lot(field string) lot.ID {
	s := r.cell(field)
	if s == "" {
		r.fail(field, "empty", "the cell is empty; a lot code is required")
		return ""
	}
	if _, err := lot.ParseID(s); err != nil {
		r.failErr(field, err)
	}
	return lot.ID(strings.Clone(s))
}

// mass is a weight above zero.
func (r *record) mass(field string) weight.Mass {
	m, ok := r.signedMass(field)
	if ok && m <= 0 {
		r.fail(field, "weight_not_positive", "%s lb: it must be above zero", m)
	}
	return m
}

// massOrZero is a weight of zero or more.
func (r *record) massOrZero(field string) weight.Mass {
	m, ok := r.signedMass(field)
	if ok && m < 0 {
		r.fail(field, "weight_negative", "%s lb: it may not be below zero", m)
	}
	return m
}

func (r *record) signedMass(field string) (weight.Mass, bool) {
	m, err := weight.Parse(r.cell(field))
	if err != nil {
		r.failErr(field, err)
	}
	return m, err == nil
}

// number is a plain decimal of zero or more, in units of 10^-decimals.
func (r *record) number(field string, decimals int) int64 {
	n, err := weight.ParseDecimal(r.cell(field), decimals)
	if err != nil {
		r.failErr(field, err)
	} else if n < 0 {
		r.fail(field, "number_negative", "%s: it may not be below zero", r.cell(field))
	}
	return n
}

func (r *record) amount(field string) money.Amount { return money.Amount(r.number(field, 6)) }

// amountOrNone is an amount, zero where the cell is empty.
func (r *record) amountOrNone(field string) money.Amount {
	if r.cell(field) == "" {
		return 0
	}
	return r.amount(field)
}

// price is a price per pound of zero or more.
func (r *record) price(field string) money.Price { return money.Price(r.number(field, 6)) }

// priceOrNone is nil where the cell is empty; an explicit zero is a price.
func (r *record) priceOrNone(field string) *money.Price {
	if r.cell(field) == "" {
		return nil
	}
	p := r.price(field)
	return &p
}

// percentOrUnknown is a share of 0 to below 100 % in parts per million, below 0 where the cell is empty.
func (r *record) percentOrUnknown(field string) int64 {
	if r.cell(field) == "" {
		return -1
	}
	ppm := r.number(field, 4)
	if ppm >= 1_000_000 {
		r.fail(field, "percent_not_below_100", "%s %%: it must be below 100", r.cell(field))
	}
	return ppm
}

// whole is a whole number from low to high.
func (r *record) whole(field string, low, high int64) int64 {
	s := r.cell(field)
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || s != strconv.FormatInt(n, 10) {
		r.fail(field, "whole_number", "%q: only a whole number in digits 0-9 without leading zeros is allowed", clip(s))
		return 0
	}
	if n < low || n > high {
		r.fail(field, "out_of_range", "%d: %d to %d is allowed", n, low, high)
	}
	return n
}

// clock is a moment in RFC 3339 with a zone.
func (r *record) clock(field string) time.Time {
	at, rule, detail := parseTime(r.cell(field))
	if rule != "" {
		r.fail(field, rule, "%s", detail)
	}
	return at
}

// stage is a word for what is done to lots: a small letter, then small letters, digits and hyphens, 32 characters at most.
func (r *record) stage(field string) string {
	before := r.table.faults.Count
	s := r.key(field)
	fine := len(s) <= 32
	for i, c := range s {
		fine = fine && (c >= 'a' && c <= 'z' || i > 0 && (c >= '0' && c <= '9' || c == '-'))
	}
	if !fine && r.table.faults.Count == before { // what is no name at all was said to be none
		r.fail(field, "stage_malformed", "%q: a small letter, then up to 31 small letters, digits and hyphens are allowed", clip(s))
	}
	return s
}

// earliest bounds a time of the plant: anything before is a clock that was never set.
var earliest = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)

// parseTime reads RFC 3339 strictly, to the microsecond that facts are kept at. Failing, it names the rule and says what is wrong.
func parseTime(s string) (at time.Time, rule, detail string) {
	if s == "" {
		return at, "empty", "the cell is empty; a time is required"
	}
	if err := at.UnmarshalText([]byte(s)); err != nil {
		if _, err := time.Parse("2006-01-02T15:04:05", s); err == nil {
			return time.Time{}, "time_without_zone", strconv.Quote(s) + ": a zone is required, Z or an offset such as -05:00 (RFC 3339)"
		}
		return time.Time{}, "time_malformed", strconv.Quote(clip(s)) +
			": only RFC 3339 is allowed, year-month-day and a zone, such as 2024-10-18T07:21:00Z"
	}
	switch at = at.UTC(); {
	case at.Before(earliest):
		return time.Time{}, "time_out_of_range", strconv.Quote(s) + ": before 1970, is the clock set?"
	case at.Nanosecond()%1000 != 0:
		return time.Time{}, "time_too_fine", strconv.Quote(s) + ": finer than a microsecond, which is what is kept"
	}
	return at, "", ""
}

// day is a calendar day such as 2025-06-30, possibly empty.
func (r *record) day(field string) string {
	s := r.cell(field)
	if s == "" {
		return ""
	}
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		r.fail(field, "day_malformed", "%q: only a calendar day as year-month-day is allowed, such as 2025-06-30", clip(s))
	}
	return strings.Clone(s)
}

// word is one of a closed list of words, with what stands for each.
type word[T any] struct {
	text  string
	value T
}

// enum reads one of the words; none of them is a fault that lists all.
func enum[T any](r *record, field string, words []word[T]) (value T) {
	s := r.cell(field)
	for _, w := range words {
		if w.text == s {
			return w.value
		}
	}
	known := make([]string, len(words))
	for i, w := range words {
		known[i] = w.text
	}
	r.fail(field, "word_unknown", "%q: only %s are allowed", clip(s), strings.Join(known, ", "))
	return value
}

var (
	partyRoles = []word[lot.PartyRole]{{"seller", lot.Seller}, {"custom_client", lot.CustomClient}, {"customer", lot.Customer},
		{"supplier", lot.Supplier}, {"own_orchard", lot.OwnOrchard}}
	itemKinds = []word[lot.ItemKind]{{"in_shell", lot.InShell}, {"kernel", lot.Kernel}, {"byproduct", lot.ByProductItem},
		{"waste", lot.WasteItem}, {"ingredient", lot.Ingredient}, {"finished", lot.Finished}}
	ownerships  = []word[lot.Ownership]{{"company", lot.Company}, {"custom", lot.Custom}}
	outputRoles = []word[lot.Role]{{"main", lot.Main}, {"byproduct", lot.ByProduct}, {"waste", lot.Waste}}
	reasons     = []word[string]{{ReasonMoisture, ReasonMoisture}, {ReasonDamage, ReasonDamage}}
)
