package reckon

import (
	"strings"

	"huskline/internal/exact"
)

// GS1Input is an element string, bracketed as "(01)…(10)…" or raw with ^ for FNC1 (a scanner's ]C1 and ASCII 29 are taken too), or the address of
// a Digital Link.
type GS1Input struct {
	Text string `json:"text"`
}

// GS1Output is the elements in the order given, and their three spellings. DigitalLink is nil where no key is among them or one of them may not be
// part of an address.
type GS1Output struct {
	Elements    []Element `json:"elements"`
	Bracketed   string    `json:"bracketed"`
	Raw         string    `json:"raw"`
	DigitalLink *string   `json:"digital_link"`
}

// Element is an application identifier and its value.
type Element struct {
	AI    string `json:"ai"`
	Value string `json:"value"`

	id identifier
}

// maxGS1Text is far above what a symbol or an address holds.
const maxGS1Text = 8192

// GS1 reads what is in a bar code or address of the GS1 system, checks every element by the syntax dictionary, and checks which go together. What an
// element needs is asked for only where the text has an identification key: without one it is a part of a mark whose rest another bar code on the same
// item may hold. Not checked: currency codes, company prefixes beyond their first digits, and the inner form of coupons, IBANs, model numbers'
// check characters, package types and birth sequences.
func GS1(in GS1Input) (GS1Output, error) {
	if len(in.Text) > maxGS1Text {
		return GS1Output{}, exact.Refuse("text", "%d bytes, at most %d are read", len(in.Text), maxGS1Text)
	}
	d := readDictionary()
	elements, err := d.parse(in.Text)
	if err != nil {
		return GS1Output{}, err
	}
	if elements, err = once(elements); err != nil {
		return GS1Output{}, err
	}
	for _, e := range elements {
		if rule := e.id.check(e.Value); rule != "" {
			return GS1Output{}, e.refuse("%s", rule)
		}
	}
	if err := together(elements); err != nil {
		return GS1Output{}, err
	}
	return GS1Output{elements, bracketed(elements), raw(elements), digitalLink(elements)}, nil
}

func (e Element) refuse(rule string, args ...any) error {
	return exact.Refuse("text", "("+e.AI+") "+rule, args...)
}

func (d dictionary) parse(text string) ([]Element, error) {
	text = rawFromScanner(text)
	scheme := strings.ToLower(text[:min(len(text), 8)])
	switch {
	case strings.HasPrefix(text, "("):
		return d.parseBracketed(text)
	case strings.HasPrefix(text, "^"):
		return d.parseRaw(text)
	case strings.HasPrefix(scheme, "http://"), strings.HasPrefix(scheme, "https://"):
		return d.parseLink(text)
	}
	return nil, exact.Refuse("text", "it begins with none of (, ^ and http, so it is no element string and no Digital Link")
}

// rawFromScanner writes what a scanner sends (a symbology identifier, ASCII 29 between elements) with ^ for FNC1.
func rawFromScanner(text string) string {
	for _, symbology := range []string{"]C1", "]e0", "]d2", "]Q3", "]J1"} {
		if rest, ok := strings.CutPrefix(text, symbology); ok {
			return "^" + strings.ReplaceAll(rest, "\x1d", "^")
		}
	}
	return text
}

// parseBracketed reads "(ai)value…"; an opening bracket that belongs to a value is written \(.
func (d dictionary) parseBracketed(text string) ([]Element, error) {
	var elements []Element
	for text != "" {
		inside, rest, closed := strings.Cut(strings.TrimPrefix(text, "("), ")")
		if !closed {
			return nil, exact.Refuse("text", "a bracket is opened and not closed before %q", clip(text))
		}
		e, err := d.element(inside)
		if err != nil {
			return nil, err
		}
		var value strings.Builder
		for rest != "" && rest[0] != '(' {
			if strings.HasPrefix(rest, `\(`) {
				rest = rest[1:]
			}
			value.WriteByte(rest[0])
			rest = rest[1:]
		}
		e.Value, text = value.String(), rest
		elements = append(elements, e)
	}
	return elements, nil
}

func clip(text string) string { return text[:min(len(text), 40)] }

func (d dictionary) element(ai string) (Element, error) {
	id, known := d[ai]
	if !known {
		return Element{}, exact.Refuse("text", "(%s) is no application identifier", clip(ai))
	}
	return Element{AI: ai, id: id}, nil
}

// parseRaw reads ^, then elements end to end; one whose length is not set by its identifier ends at the next ^ or with the text.
func (d dictionary) parseRaw(text string) ([]Element, error) {
	var elements []Element
	text = text[1:]
	for {
		e, err := d.leading(text)
		if err != nil {
			return nil, err
		}
		text = text[len(e.AI):]
		end := strings.IndexByte(text+"^", '^')
		if e.id.fixed {
			end = min(end, e.id.length())
		}
		e.Value, text = text[:end], text[end:]
		elements = append(elements, e)
		if text == "" {
			return elements, nil
		}
		text = strings.TrimPrefix(text, "^")
	}
}

// leading is the element whose identifier begins the text: no identifier is the beginning of another.
func (d dictionary) leading(text string) (Element, error) {
	for n := 2; n <= min(4, len(text)); n++ {
		if id, known := d[text[:n]]; known {
			return Element{AI: text[:n], id: id}, nil
		}
	}
	return Element{}, exact.Refuse("text", "%q begins with no application identifier", clip(text))
}

// once drops an element that is there again with the same value, which several bar codes on one item may bring, and refuses another value.
func once(elements []Element) ([]Element, error) {
	values := map[string]string{}
	var kept []Element
	for _, e := range elements {
		value, seen := values[e.AI]
		if seen && value != e.Value {
			return nil, e.refuse("is there twice, with %q and %q", value, e.Value)
		}
		if !seen {
			kept = append(kept, e)
		}
		values[e.AI] = e.Value
	}
	return kept, nil
}

// together checks what elements exclude and need.
func together(elements []Element) error {
	item := false
	for _, e := range elements {
		item = item || e.id.key || e.id.content
		for _, pattern := range e.id.excludes {
			for _, other := range elements {
				if other.AI != e.AI && matches(pattern, other.AI) {
					return e.refuse("may not go with (%s)", other.AI)
				}
			}
		}
	}
	if !item {
		return nil
	}
	for _, e := range elements {
		for _, need := range e.id.needs {
			if !met(need, elements) {
				return e.refuse("needs %s", strings.Join(need, " or "))
			}
		}
	}
	return nil
}

// met tells whether one alternative is there with all of its parts: "01+21" asks for both.
func met(alternatives []string, elements []Element) bool {
	for _, all := range alternatives {
		found := true
		for _, pattern := range strings.Split(all, "+") {
			found = found && find(pattern, elements) != nil
		}
		if found {
			return true
		}
	}
	return false
}

func find(pattern string, elements []Element) *Element {
	for i := range elements {
		if matches(pattern, elements[i].AI) {
			return &elements[i]
		}
	}
	return nil
}

// matches compares an identifier with a pattern in which n is any digit.
func matches(pattern, ai string) bool {
	if len(pattern) != len(ai) {
		return false
	}
	for i := range len(ai) {
		if pattern[i] != 'n' && pattern[i] != ai[i] {
			return false
		}
	}
	return true
}

func bracketed(elements []Element) string {
	var b strings.Builder
	for _, e := range elements {
		b.WriteString("(" + e.AI + ")" + strings.ReplaceAll(e.Value, "(", `\(`))
	}
	return b.String()
}

// raw puts FNC1 first and after every element whose length is not set by its identifier, save the last.
func raw(elements []Element) string {
	var b strings.Builder
	b.WriteByte('^')
	for i, e := range elements {
		b.WriteString(e.AI + e.Value)
		if !e.id.fixed && i < len(elements)-1 {
			b.WriteByte('^')
		}
	}
	return b.String()
}
