package exact

import (
	"fmt"
	"slices"
	"strings"

	"huskline/internal/fault"
)

// Refuse is the refusal of the field at path by a rule of the calculator.
func Refuse(path, rule string, args ...any) error {
	return refusal("value_refused", path, rule, args...)
}

func refusal(reason, path, rule string, args ...any) error {
	if path == "" {
		path = "input"
	}
	return fault.Invalid(reason, "%s: %w", path, fmt.Errorf(rule, args...))
}

// First is the first refusal of several checks, so that they read as a list.
func First(checks ...error) error {
	for _, err := range checks {
		if err != nil {
			return err
		}
	}
	return nil
}

// NotNegative refuses a number below zero.
func NotNegative(path string, n Number) error {
	if n.Sign() < 0 {
		return Refuse(path, "%s is below 0", n)
	}
	return nil
}

// OptionalNotNegative is NotNegative for a field that may be left out.
func OptionalNotNegative(path string, n *Number) error {
	if n == nil {
		return nil
	}
	return NotNegative(path, *n)
}

// Positive refuses zero and less.
func Positive(path string, n Number) error {
	if n.Sign() <= 0 {
		return Refuse(path, "%s is not above 0", n)
	}
	return nil
}

// Percentage refuses what is not between 0 and 100.
func Percentage(path string, n Number) error {
	if n.Sign() < 0 || n.Cmp(Int(100)) > 0 {
		return Refuse(path, "%s %% is not between 0 and 100", n)
	}
	return nil
}

// BelowHundred refuses a percentage below 0 or of 100 and more: a moisture or a loss that would leave nothing.
func BelowHundred(path string, n Number) error {
	if n.Sign() < 0 || n.Cmp(Int(100)) >= 0 {
		return Refuse(path, "%s %% is not at least 0 and below 100", n)
	}
	return nil
}

// AddsToHundred refuses percentages of one whole that are not all of it.
func AddsToHundred(path string, shares ...Number) error {
	if sum := Sum(shares...); sum.Cmp(Int(100)) != 0 {
		return Refuse(path, "the shares sum to %s %%, not to 100", sum)
	}
	return nil
}

// OneOf refuses a word that is none of the allowed ones.
func OneOf(path, got string, allowed ...string) error {
	if !slices.Contains(allowed, got) {
		return Refuse(path, "%q is none of %s", got, strings.Join(allowed, ", "))
	}
	return nil
}

// Given refuses the absence of a field that another field's value asks for.
func Given[T any](path string, field *T, why string) error {
	if field == nil {
		return refusal("field_missing", path, "missing: %s", why)
	}
	return nil
}

// Or is the field's value, or zero value where it was left out.
func Or[T any](field *T) T {
	if field == nil {
		var none T
		return none
	}
	return *field
}

// Names refuses an empty list, an empty name and a name that is there twice: list[i].field is the path of each.
func Names(list, field string, names []string) error {
	if len(names) == 0 {
		return Refuse(list, "the list is empty")
	}
	seen := map[string]bool{}
	for i, name := range names {
		path := At(list, i, field)
		if name == "" {
			return Refuse(path, "a name is not empty")
		}
		if seen[name] {
			return Refuse(path, "%q is there twice", name)
		}
		seen[name] = true
	}
	return nil
}

// At is the path of a field of the i-th member of a list; with no field, of the member.
func At(list string, i int, field string) string {
	path := fmt.Sprintf("%s[%d]", list, i)
	if field != "" {
		path += "." + field
	}
	return path
}
