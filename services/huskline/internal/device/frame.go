package device

import (
	"strings"

	"huskline/internal/fault"
	"huskline/internal/weight"
)

// The fields of a standard scale response, SMA SCP-0499 section 5.1 (first edition 1999, as indicator manuals reprint it):
//
//	<LF> s r n m f xxxxxx.xxx uuu <CR>
//
//	s  Z center of zero, O over capacity, U under capacity, E zero error, I initial-zero error, T tare error, blank none of these
//	r  range 1, 2, 3 …
//	n  G gross, N net, T tare (in answer to M), g and n in high resolution
//	m  M in motion, blank not
//	f  for future or custom use
//	x  weight, 10 characters, right-aligned; dashes with E, I and T
//	u  unit of measure, 3 characters
const (
	frameStart  = '\n'
	frameEnd    = '\r'
	frameLength = 5 + weightLength + unitLength

	weightLength = 10
	unitLength   = 3
)

// Frame is one response of a scale.
type Frame struct {
	Status byte   // Z, O, U, E, I, T or blank
	Range  byte   // 1 to 9
	Mode   byte   // G, N, T, g or n
	Motion bool   //
	Digits string // as the scale sent them, without blanks; empty where it shows dashes
	Unit   string // UN/ECE Recommendation 20; empty where the scale shows dashes
}

// units are the standard's that are known here, by their code.
func units() map[string]weight.Unit {
	return map[string]weight.Unit{"lb": weight.PoundUnit, "kg": weight.KilogramUnit, "oz": weight.OunceUnit, "tn": weight.ShortTonUnit}
}

// ParseFrame reads what stands between line feed and carriage return. The error names the field that is not as the standard has it.
func ParseFrame(body []byte) (Frame, error) {
	text := string(body)
	switch {
	case text == "?":
		return Frame{}, fault.Invalid("command_unknown", "the scale answers ?: it does not know the question for its weight")
	case len(text) != frameLength:
		return Frame{}, fault.Invalid("frame_length", "frame %q: %d characters, a frame has %d", shown(text), len(text), frameLength)
	}
	f := Frame{Status: text[0], Range: text[1], Mode: text[2], Motion: text[3] == 'M'}
	switch {
	case !strings.ContainsRune("ZOUEIT ", rune(f.Status)):
		return Frame{}, fault.Invalid("frame_status", "frame %q: status %q is none of Z, O, U, E, I, T and blank", text, text[0:1])
	case f.Range < '1' || f.Range > '9':
		return Frame{}, fault.Invalid("frame_range", "frame %q: range %q is no digit from 1", text, text[1:2])
	case !strings.ContainsRune("GNTgn", rune(f.Mode)):
		return Frame{}, fault.Invalid("frame_mode", "frame %q: %q is none of G, N, T, g and n", text, text[2:3])
	case !f.Motion && text[3] != ' ':
		return Frame{}, fault.Invalid("frame_motion", "frame %q: motion %q is neither M nor blank", text, text[3:4])
	}
	return f, f.weigh(text)
}

// weigh reads weight and unit.
func (f *Frame) weigh(text string) error {
	digits, unit := strings.Trim(text[5:5+weightLength], " "), strings.TrimRight(text[5+weightLength:], " ")
	if strings.Contains(digits, "-") && strings.Trim(digits, "-") == "" {
		if f.Status == ' ' {
			return fault.Invalid("frame_no_weight", "frame %q: the scale shows dashes and says no reason", text)
		}
		return nil
	}
	known, ok := units()[strings.ToLower(unit)]
	if !ok {
		return fault.Invalid("frame_unit", "frame %q: unit %q is none of lb, kg, oz and tn", text, unit)
	}
	if _, err := weight.FromReading(digits, known); err != nil {
		return fault.Invalid("frame_weight", "frame %q: weight %q: %w", text, digits, err)
	}
	f.Digits, f.Unit = digits, string(known)
	return nil
}

// shown is text for a message, cut where it is long.
func shown(text string) string {
	if len(text) > maxFrame {
		return text[:maxFrame] + "…"
	}
	return text
}

// maxFrame is how much without an end is taken for a frame at all.
const maxFrame = 64

// Splitter finds frames in a stream of bytes, however it is cut into pieces.
type Splitter struct {
	buf    []byte
	inside bool
	Stray  int // bytes that belonged to no frame
}

// Push takes in bytes and gives out each frame's body, or why it is none: cut by the start of the next, or without an end.
func (s *Splitter) Push(chunk []byte, emit func(body []byte, err error)) {
	for _, b := range chunk {
		switch {
		case b == frameStart:
			if s.inside && len(s.buf) > 0 {
				emit(nil, s.cut("the next one begins"))
			}
			s.buf, s.inside = s.buf[:0], true
		case !s.inside:
			if b != frameEnd {
				s.Stray++
			}
		case b == frameEnd:
			if len(s.buf) > 0 {
				emit(s.buf, nil)
			}
			s.inside = false
		case len(s.buf) == maxFrame:
			s.inside = false
			emit(nil, fault.Invalid("frame_length", "frame %q…: no end after %d characters, a frame has %d", s.buf, maxFrame, frameLength))
		default:
			s.buf = append(s.buf, b)
		}
	}
}

// Silent ends a frame after which nothing comes any more; nil where none was begun.
func (s *Splitter) Silent(why string) error {
	if !s.inside || len(s.buf) == 0 {
		s.inside = false
		return nil
	}
	s.inside = false
	return s.cut(why)
}

func (s *Splitter) cut(why string) error {
	return fault.Invalid("frame_cut", "frame %q: cut after %d of %d characters: %s", s.buf, len(s.buf), frameLength, why)
}
