package rpc

import (
	"errors"
	"fmt"
	"strings"
	"unicode/utf8"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/reflect/protoreflect"

	"huskline/internal/fault"
)

// maxForms bounds how many violations of the contract one refusal names.
const maxForms = 10

// formFault says which rules of form a message breaks: the field, what stands there, and the limit, in words.
func formFault(err error) error {
	var broken *protovalidate.ValidationError
	switch {
	case err == nil:
		return nil
	case !errors.As(err, &broken) || len(broken.Violations) == 0:
		return err
	}
	var texts []string
	for n, v := range broken.Violations {
		if n == maxForms {
			texts = append(texts, fmt.Sprintf("and %d more", len(broken.Violations)-n))
			break
		}
		texts = append(texts, violated(v))
	}
	return fault.Invalid("form", "%s", strings.Join(texts, "; "))
}

func violated(v *protovalidate.Violation) string {
	rule, limit := rulesInWords(v)
	switch field := protovalidate.FieldPathString(v.Proto.GetField()); {
	case field == "":
		return rule + limit
	case v.Proto.GetRuleId() == "required":
		return "field " + field + ": it is missing"
	default:
		return "field " + field + rule + limit
	}
}

// rulesInWords says what stands in a field and what may stand there.
func rulesInWords(v *protovalidate.Violation) (stands, limit string) {
	field, of := v.FieldDescriptor, v.RuleValue
	family, rule, _ := strings.Cut(v.Proto.GetRuleId(), ".")
	switch {
	case rule == "pattern":
		return quoted(v), ": " + inWords(of.String())
	case family == "string" && strings.HasPrefix(rule, "uuid"):
		return quoted(v), ": only a UUID is allowed, such as 3f2504e0-4f89-41d3-9a0c-0305e82c3301"
	case rule == "max_len" && family == "string":
		return fmt.Sprintf(": %d characters", utf8.RuneCountInString(v.FieldValue.String())), fmt.Sprintf(", at most %d are allowed", of.Uint())
	case rule == "min_len" && family == "string":
		if v.FieldValue.String() == "" {
			return ": it is empty", ""
		}
		return fmt.Sprintf(": %d characters", utf8.RuneCountInString(v.FieldValue.String())), fmt.Sprintf(", at least %d are required", of.Uint())
	case rule == "len" && family == "bytes":
		return fmt.Sprintf(": %d bytes", len(v.FieldValue.Bytes())), fmt.Sprintf(", exactly %d are required", of.Uint())
	case rule == "max_items":
		return fmt.Sprintf(": %d entries", v.FieldValue.List().Len()), fmt.Sprintf(", at most %d are allowed", of.Uint())
	case rule == "min_items":
		return fmt.Sprintf(": %d entries", v.FieldValue.List().Len()), fmt.Sprintf(", at least %d are required", of.Uint())
	case rule == "unique":
		return ": an entry stands twice", ""
	case family == "enum" && field != nil && field.Enum() != nil:
		return fmt.Sprintf(": value %d", v.FieldValue.Enum()), ": only " + enumNames(field.Enum()) + " are allowed"
	case strings.HasPrefix(family, "int") || strings.HasPrefix(family, "uint"):
		return ": " + v.FieldValue.String(), ": " + strings.TrimPrefix(v.Proto.GetMessage(), "value ")
	}
	return ": " + v.Proto.GetMessage(), ""
}

// maxQuoted bounds what is shown of a text.
const maxQuoted = 100

func quoted(v *protovalidate.Violation) string {
	text := v.FieldValue.String()
	if len(text) > maxQuoted {
		return fmt.Sprintf(" (%d characters, it begins %q)", utf8.RuneCountInString(text), text[:maxQuoted])
	}
	return fmt.Sprintf(" %q", text)
}

func enumNames(e protoreflect.EnumDescriptor) string {
	var names []string
	for i := range e.Values().Len() {
		if v := e.Values().Get(i); v.Number() != 0 {
			names = append(names, string(v.Name()))
		}
	}
	return strings.Join(names, ", ")
}

// inWords says the contract's patterns as a person would. Every pattern of the contracts is here; a test looks.
func inWords(pattern string) string {
	switch pattern {
	case "^[!-~]{1,64}$":
		return "only 1 to 64 printable ASCII characters without blanks are allowed"
	case "^[!-~]{0,64}$":
		return "only up to 64 printable ASCII characters without blanks are allowed"
	case "^[A-Za-z0-9][A-Za-z0-9._@-]{0,63}$":
		return "only 1 to 64 letters, digits and . _ @ - are allowed, beginning with a letter or digit"
	case "^[A-Za-z0-9]{0,8}$":
		return "only up to 8 letters and digits are allowed"
	case "^[a-z][a-z0-9-]{0,31}$":
		return "only 1 to 32 small letters, digits and - are allowed, beginning with a letter"
	case "^[a-z][a-z0-9_]{0,63}$":
		return "only 1 to 64 small letters, digits and _ are allowed, beginning with a letter"
	case "^([0-9]{4}-[0-9]{2}-[0-9]{2})?$":
		return "only a day is allowed, such as 2025-06-30, or nothing"
	case "^([01][0-9]|2[0-3]):[0-5][0-9]$":
		return "only a time of day is allowed, 00:00 to 23:59"
	case "^(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$":
		return "only a time of day is allowed, 00:00 to 24:00"
	case "^(LBR|KGM|ONZ|STN)?$":
		return "only LBR (pound), KGM (kilogram), ONZ (ounce) and STN (short ton) are allowed, or nothing"
	}
	return ""
}
