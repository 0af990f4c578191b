package judge

import (
	"strings"
	"time"
	"unicode"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protopath"
	"google.golang.org/protobuf/reflect/protorange"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/fault"
	"huskline/internal/lotwire"
	"huskline/services/inventory/internal/stock"
)

// plain refuses a message with a control character in any of its texts, and names the field: some of them cannot be stored, none can be read.
// Line breaks and tabs are part of a text.
func plain(m proto.Message) error {
	return protorange.Range(m.ProtoReflect(), func(at protopath.Values) error {
		text, ok := at.Index(-1).Value.Interface().(string)
		if !ok || !strings.ContainsFunc(text, isControl) {
			return nil
		}
		return fault.Invalid("text_malformed", "field %s, %q: a text has no control characters but line breaks and tabs", fieldOf(at.Path), text)
	})
}

func isControl(r rune) bool { return unicode.IsControl(r) && r != '\n' && r != '\r' && r != '\t' }

// fieldOf is the path within the message.
func fieldOf(path protopath.Path) string {
	return strings.TrimPrefix(path[1:].String(), ".")
}

// Effective reads the time at which something happened; an absent one is the zero time. The first moment of the year 1 is told from that.
func Effective(t *timestamppb.Timestamp) (time.Time, error) {
	at, err := lotwire.ParseTime(t)
	if err == nil && t != nil && at.IsZero() {
		return at, fault.Invalid("time_out_of_range", "effective time %s: no plant is that old", stock.Stamp(at))
	}
	return at, err
}
