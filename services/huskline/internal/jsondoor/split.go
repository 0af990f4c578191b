package jsondoor

import (
	"bytes"
	"encoding/json"

	"huskline/internal/fault"
)

// member is a name of an object with its value as it stands.
type member struct {
	name  string
	value []byte
}

// maxDepth bounds how deep values may stand in each other; a reading has one level and its batch two.
const maxDepth = 32

// blank is the white space of JSON.
const blank = " \t\r\n"

// object takes an object apart without reading its values: what is between two commas is a value, JSON or not.
func object(text []byte) ([]member, error) {
	parts, err := parts(text, '{', '}')
	if err != nil {
		return nil, err
	}
	out := make([]member, 0, len(parts))
	for _, part := range parts {
		end := 0
		if len(part) > 0 && part[0] == '"' {
			end = afterText(part, 0)
		}
		var m member
		if end == 0 || json.Unmarshal(part[:end], &m.name) != nil {
			return nil, fault.Invalid("json_malformed", "%s: a member of an object is a name in quotes, a colon and a value", shown(part))
		}
		rest, found := bytes.CutPrefix(bytes.TrimLeft(part[end:], blank), []byte(":"))
		if m.value = bytes.Trim(rest, blank); !found || len(m.value) == 0 {
			return nil, fault.Invalid("json_malformed", "%s: a name is followed by a colon and a value", shown(part))
		}
		out = append(out, m)
	}
	return out, nil
}

// parts is what stands between the commas of one bracket, which is all of the text.
func parts(text []byte, open, shut byte) ([][]byte, error) {
	text = bytes.Trim(text, blank)
	if len(text) == 0 || text[0] != open {
		return nil, fault.Invalid("json_malformed", "%s: it does not begin with %q", shown(text), open)
	}
	var out [][]byte
	var within []byte // the brackets that are open
	from := 1
	for i := 0; i < len(text); i++ {
		switch c := text[i]; c {
		case '"':
			end := afterText(text, i)
			if end == 0 {
				return nil, fault.Invalid("json_cut", "text that begins at byte %d: its end is missing", i)
			}
			i = end - 1
		case '{', '[':
			if within = append(within, c+2); len(within) > maxDepth { // in ASCII the closing bracket is the second after the opening one
				return nil, fault.Invalid("json_deep", "byte %d: values stand at most %d deep in each other", i, maxDepth)
			}
		case '}', ']':
			if within[len(within)-1] != c {
				return nil, fault.Invalid("json_malformed", "byte %d: %q closes no bracket", i, c)
			}
			if within = within[:len(within)-1]; len(within) > 0 {
				continue
			}
			if i != len(text)-1 {
				return nil, fault.Invalid("json_malformed", "byte %d: something follows the closing %q", i+1, shut)
			}
			return last(out, text[from:i])
		case ',':
			if len(within) == 1 {
				out, from = append(out, bytes.Trim(text[from:i], blank)), i+1
			}
		}
	}
	return nil, fault.Invalid("json_cut", "after %d bytes the closing %q is missing: it was cut off", len(text), shut)
}

// last adds what stands before the closing bracket; a bracket around nothing has no part.
func last(out [][]byte, part []byte) ([][]byte, error) {
	part = bytes.Trim(part, blank)
	if len(out) == 0 && len(part) == 0 {
		return nil, nil
	}
	return append(out, part), nil
}

// afterText is where a text in quotes that begins at a place has ended; 0: it does not end.
func afterText(text []byte, from int) int {
	for i := from + 1; i < len(text); i++ {
		switch text[i] {
		case '\\':
			i++
		case '"':
			return i + 1
		}
	}
	return 0
}
