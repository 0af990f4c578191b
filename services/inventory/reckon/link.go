package reckon

import (
	"slices"
	"strings"

	"huskline/internal/exact"
)

// linkHost is GS1's own resolver, under which every Digital Link can be written.
const linkHost = "https://id.gs1.org"

// parseLink reads the address of a Digital Link: any stem, then key and value, qualifiers and values in the order of the key, and attributes in the
// query. Names in the query that are no numbers say nothing about the item and are passed over.
func (d dictionary) parseLink(text string) ([]Element, error) {
	text, _, _ = strings.Cut(text, "#")
	address, query, _ := strings.Cut(text, "?")
	_, rest, _ := strings.Cut(address, "://")
	_, path, _ := strings.Cut(rest, "/")
	if strings.HasSuffix(path, "/") {
		return nil, exact.Refuse("text", "a Digital Link does not end with a slash")
	}
	elements, err := d.parsePath(strings.Split(path, "/"))
	if err != nil {
		return nil, err
	}
	if query == "" {
		return elements, nil
	}
	for _, pair := range strings.FieldsFunc(query, func(r rune) bool { return r == '&' || r == ';' }) {
		name, value, _ := strings.Cut(pair, "=")
		if name == "" || !allDigits(name) {
			continue
		}
		e, err := d.coded(name, value)
		if err != nil {
			return nil, err
		}
		if !e.id.attribute {
			return nil, e.refuse("is no attribute of a Digital Link")
		}
		elements = append(elements, e)
	}
	return elements, nil
}

// parsePath finds the key from the right, since a stem may hold numbers too.
func (d dictionary) parsePath(segments []string) ([]Element, error) {
	for at := len(segments) - 2; at >= 0; at -= 2 {
		if !d[segments[at]].key {
			continue
		}
		var elements []Element
		for i := at; i < len(segments); i += 2 {
			e, err := d.coded(segments[i], segments[i+1])
			if err != nil {
				return nil, err
			}
			elements = append(elements, e)
		}
		return elements, inOrder(elements)
	}
	return nil, exact.Refuse("text", "the address holds no key and value of a Digital Link")
}

func (d dictionary) coded(ai, value string) (Element, error) {
	e, err := d.element(ai)
	if err != nil {
		return Element{}, err
	}
	if rule := checkPercentCoding(value); rule != "" {
		return Element{}, e.refuse("%s", rule)
	}
	e.Value = percentDecode(value)
	return e, nil
}

// inOrder refuses qualifiers that are not the key's, or not in its order.
func inOrder(elements []Element) error {
	for _, way := range elements[0].id.qualifiers {
		next := 0
		for _, ai := range way {
			if next+1 < len(elements) && elements[next+1].AI == ai {
				next++
			}
		}
		if next+1 == len(elements) {
			return nil
		}
	}
	if len(elements) == 1 {
		return nil
	}
	return elements[0].refuse("is followed by qualifiers that are not its own or not in their order")
}

// digitalLink is the address of the first key among elements: its qualifiers in order, and all the rest as attributes in the order given.
func digitalLink(elements []Element) *string {
	at := slices.IndexFunc(elements, func(e Element) bool { return e.id.key })
	if at < 0 {
		return nil
	}
	key := elements[at]
	path := linkHost + "/" + key.AI + "/" + percentCode(key.Value)
	used := []string{key.AI}
	for _, ai := range way(key, elements) {
		if e := find(ai, elements); e != nil {
			path += "/" + ai + "/" + percentCode(e.Value)
			used = append(used, ai)
		}
	}
	var query []string
	for _, e := range elements {
		if slices.Contains(used, e.AI) {
			continue
		}
		if !e.id.attribute {
			return nil
		}
		query = append(query, e.AI+"="+percentCode(e.Value))
	}
	if len(query) > 0 {
		path += "?" + strings.Join(query, "&")
	}
	return &path
}

// way is the sequence of qualifiers of which most are there.
func way(key Element, elements []Element) []string {
	var best []string
	most := 0
	for _, w := range key.id.qualifiers {
		n := 0
		for _, ai := range w {
			if find(ai, elements) != nil {
				n++
			}
		}
		if n > most {
			best, most = w, n
		}
	}
	return best
}

// percentDecode is the text behind a checked percent-coding.
func percentDecode(coded string) string {
	var b strings.Builder
	for i := 0; i < len(coded); i++ {
		c := coded[i]
		if c == '%' {
			c = byte(strings.IndexByte(hexDigits, upper(coded[i+1]))<<4 | strings.IndexByte(hexDigits, upper(coded[i+2])))
			i += 2
		}
		b.WriteByte(c)
	}
	return b.String()
}

const hexDigits = "0123456789ABCDEF"

func upper(c byte) byte {
	if 'a' <= c && c <= 'f' {
		return c - 'a' + 'A'
	}
	return c
}

// percentCode leaves the unreserved characters of RFC 3986 as they are.
func percentCode(value string) string {
	var b strings.Builder
	for i := range len(value) {
		c := value[i]
		if c == '-' || c == '.' || c == '_' || c == '~' || '0' <= c && c <= '9' || 'A' <= c && c <= 'Z' || 'a' <= c && c <= 'z' {
			b.WriteByte(c)
		} else {
			b.WriteString(string([]byte{'%', hexDigits[c>>4], hexDigits[c&15]}))
		}
	}
	return b.String()
}
