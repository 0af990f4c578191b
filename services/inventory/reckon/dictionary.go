package reckon

import (
	"fmt"
	"strconv"
	"strings"
)

// dictionary is the syntax dictionary by application identifier.
type dictionary map[string]identifier

// identifier is one line of the dictionary.
type identifier struct {
	fixed      bool // no separator follows
	attribute  bool // may be part of a Digital Link's query
	key        bool // begins a Digital Link
	content    bool // identifies what is inside, without being a key
	qualifiers [][]string
	components []component
	needs      [][]string // of each, one alternative
	excludes   []string
}

// component is one part of a value.
type component struct {
	kind     byte // N digits, X and Y the two alphabets, Z base 64
	least    int
	most     int
	optional bool
	checks   []string
}

// readDictionary parses the table, whose form is fixed: it is the program's own text.
func readDictionary() dictionary {
	d := dictionary{}
	for line := range strings.SplitSeq(strings.TrimSpace(identifierTable), "\n") {
		fields := strings.Fields(line)
		id := identifier{}
		for _, f := range fields[1:] {
			id.read(f)
		}
		first, last, ranged := strings.Cut(fields[0], "-")
		if !ranged {
			last = first
		}
		from, _ := strconv.Atoi(first)
		to, _ := strconv.Atoi(last)
		for n := from; n <= to; n++ {
			ai := fmt.Sprintf("%0*d", len(first), n)
			one := id
			one.content = ai == "02" || ai == "03" || ai == "8026"
			d[ai] = one
		}
	}
	return d
}

func (id *identifier) read(field string) {
	name, value, _ := strings.Cut(field, "=")
	switch {
	case strings.Trim(field, "*?") == "":
		id.fixed, id.attribute = strings.Contains(field, "*"), strings.Contains(field, "?")
	case name == "req":
		id.needs = append(id.needs, strings.Split(value, ","))
	case name == "ex":
		id.excludes = append(id.excludes, strings.Split(value, ",")...)
	case name == "dlpkey":
		id.key = true
		for way := range strings.SplitSeq(value, "|") {
			id.qualifiers = append(id.qualifiers, strings.Split(way, ","))
		}
	default:
		id.components = append(id.components, readComponent(field))
	}
}

// readComponent reads such as "N13,csum", "X..20" and "[N4],hhmi".
func readComponent(field string) component {
	spec, checks, checked := strings.Cut(field, ",")
	c := component{optional: strings.HasPrefix(spec, "[")}
	if checked {
		c.checks = strings.Split(checks, ",")
	}
	spec = strings.Trim(spec, "[]")
	c.kind = spec[0]
	least, most, variable := strings.Cut(spec[1:], "..")
	if variable {
		c.least = 1
	} else {
		most = least
		c.least, _ = strconv.Atoi(least)
	}
	c.most, _ = strconv.Atoi(most)
	return c
}

// length is the length of a value that is set by its identifier.
func (id identifier) length() int {
	n := 0
	for _, c := range id.components {
		n += c.most
	}
	return n
}

// The alphabets of values (GS1 General Specifications, figures 7.11-1 and 7.11-2, and base 64 for addresses).
const (
	alphabetDigits = "0123456789"
	alphabet82     = `!"%&'()*+,-./0123456789:;<=>?ABCDEFGHIJKLMNOPQRSTUVWXYZ_abcdefghijklmnopqrstuvwxyz`
	alphabet39     = "#-/0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	alphabet64     = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz-_="
)

func (c component) alphabet() string {
	switch c.kind {
	case 'N':
		return alphabetDigits
	case 'Y':
		return alphabet39
	case 'Z':
		return alphabet64
	}
	return alphabet82
}

// check is the rule that a value breaks, or nothing. Each component takes as much as it may; optional ones only while there is something left.
func (id identifier) check(value string) string {
	if value == "" {
		return "has no value"
	}
	for _, c := range id.components {
		if value == "" && c.optional {
			return ""
		}
		part := value[:min(len(value), c.most)]
		value = value[len(part):]
		if len(part) < c.least {
			return fmt.Sprintf("is too short: %d of %s", len(part), c.size())
		}
		if at := strings.IndexFunc(part, func(r rune) bool { return !strings.ContainsRune(c.alphabet(), r) }); at >= 0 {
			return fmt.Sprintf("holds %q, which is none of %s", part[at:at+1], c.alphabet())
		}
		for _, name := range c.checks {
			if rule := checkPart(name, part); rule != "" {
				return rule
			}
		}
	}
	if value != "" {
		return fmt.Sprintf("is too long by %d", len(value))
	}
	return ""
}

func (c component) size() string {
	if c.least == c.most {
		return strconv.Itoa(c.most)
	}
	return fmt.Sprintf("%d to %d", c.least, c.most)
}
