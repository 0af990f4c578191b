package device

import (
	"net"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"go.bug.st/serial"

	"huskline/internal/fault"
	"huskline/internal/weight"
	intakev1 "huskline/proto/huskline/intake/v1"
)

// Address says where a device is and how it is read, such as
//
//	tcp://10.0.0.7:10001
//	serial:///dev/ttyUSB0?baud=9600&mode=continuous
//	file:///var/spool/scale.csv, or the path alone
//	mqtt://USER@10.0.0.8:1883/plant/scale/+/weight
//
// Scales take mode (demand, the default, or continuous), every (between two questions), stable (frames alike that settle a load), threshold (in the
// scale's unit; a load is above it) and kind (gross, tare or net; else as the scale says). Serial lines also take baud, bits, parity and stop.
type Address struct {
	Scheme    string // tcp, serial, file or mqtt
	Place     string // host:port or path
	User      string // at a broker
	Topic     string // at a broker
	Demand    bool
	Every     time.Duration
	Stable    int
	Threshold string
	Kind      intakev1.ReadingKind
	Serial    serial.Mode
}

// The values where an address says nothing. A threshold of 20 is one division of a truck scale; a scale for samples is given its own.
const (
	standardEvery     = 200 * time.Millisecond
	standardStable    = 5
	standardThreshold = "20"
	standardBaud      = 9600
)

// Frames tells whether the address is a scale that sends text frames.
func (a Address) Frames() bool { return a.Scheme == "tcp" || a.Scheme == "serial" }

// ParseAddress reads an address. What it does not know is an error: a misspelt option would capture by other rules than were meant.
func ParseAddress(text string) (Address, error) {
	a := Address{Scheme: "file", Place: text, Demand: true, Every: standardEvery, Stable: standardStable, Threshold: standardThreshold,
		Serial: serial.Mode{BaudRate: standardBaud, DataBits: 8, Parity: serial.NoParity, StopBits: serial.OneStopBit}}
	scheme, _, isURL := strings.Cut(text, "://")
	if !isURL {
		if text == "" {
			return a, fault.Invalid("address_malformed", "an address of a device is empty")
		}
		return a, nil
	}
	u, err := url.Parse(text)
	if err != nil {
		return a, fault.Invalid("address_malformed", "address %q: %v", text, err)
	}
	a.Scheme, a.Place = scheme, u.Path
	allowed := frameOptions()
	switch scheme {
	case "tcp":
		a.Place = u.Host
		if _, _, err := net.SplitHostPort(u.Host); err != nil || u.Path != "" {
			return a, fault.Invalid("address_malformed", "address %q: it reads tcp://HOST:PORT", text)
		}
	case "serial":
		allowed = append(allowed, serialOptions()...)
		if u.Host != "" || u.Path == "" {
			return a, fault.Invalid("address_malformed", "address %q: it reads serial:///dev/NAME", text)
		}
	case "file":
		allowed = nil
		if u.Host != "" || u.Path == "" {
			return a, fault.Invalid("address_malformed", "address %q: it reads file:///PATH", text)
		}
	case "mqtt":
		allowed = nil
		a.Place, a.User, a.Topic = u.Host, u.User.Username(), strings.TrimPrefix(u.Path, "/")
		_, secret := u.User.Password()
		if _, _, err := net.SplitHostPort(u.Host); err != nil || a.Topic == "" || secret {
			return a, fault.Invalid("address_malformed", "address %q: it reads mqtt://USER@HOST:PORT/TOPIC; a password is read from a file", u.Redacted())
		}
	default:
		return a, fault.Invalid("address_scheme", "address %q: %q is none of tcp, serial, file and mqtt", text, scheme)
	}
	return a, a.options(u.Query(), allowed)
}

// option reads one value into an address; false where it is none.
type option struct {
	name string
	read func(a *Address, value string) bool
	rule string
}

func frameOptions() []option {
	return []option{
		{"mode", func(a *Address, v string) bool { a.Demand = v == "demand"; return v == "demand" || v == "continuous" }, "demand or continuous"},
		{"every", func(a *Address, v string) bool {
			d, err := time.ParseDuration(v)
			a.Every = d
			return err == nil && d >= 20*time.Millisecond && d <= time.Minute
		}, "20ms to 1m"},
		{"stable", func(a *Address, v string) bool { return whole(v, 1, 1000, &a.Stable) }, "1 to 1000 frames"},
		{"threshold", func(a *Address, v string) bool {
			_, err := weight.FromReading(v, weight.PoundUnit)
			a.Threshold = v
			return err == nil && !strings.HasPrefix(v, "-")
		}, "a plain decimal number, not below zero"},
		{"kind", func(a *Address, v string) bool {
			at := slices.Index([]string{"gross", "tare", "net"}, v)
			a.Kind = intakev1.ReadingKind(at + 1)
			return at >= 0
		}, "gross, tare or net"},
	}
}

func serialOptions() []option {
	parities := map[string]serial.Parity{"none": serial.NoParity, "even": serial.EvenParity, "odd": serial.OddParity}
	stops := map[string]serial.StopBits{"1": serial.OneStopBit, "2": serial.TwoStopBits}
	return []option{
		{"baud", func(a *Address, v string) bool { return whole(v, 300, 921_600, &a.Serial.BaudRate) }, "300 to 921600"},
		{"bits", func(a *Address, v string) bool { return whole(v, 7, 8, &a.Serial.DataBits) }, "7 or 8"},
		{"parity", func(a *Address, v string) (ok bool) { a.Serial.Parity, ok = parities[v]; return ok }, "none, even or odd"},
		{"stop", func(a *Address, v string) (ok bool) { a.Serial.StopBits, ok = stops[v]; return ok }, "1 or 2"},
	}
}

func whole(text string, least, most int, into *int) bool {
	n, err := strconv.Atoi(text)
	*into = n
	return err == nil && n >= least && n <= most
}

func (a *Address) options(given url.Values, allowed []option) error {
	for name, values := range given {
		at := slices.IndexFunc(allowed, func(o option) bool { return o.name == name })
		if at < 0 {
			return fault.Invalid("address_option", "option %q: %s has none of that name", name, a.Scheme)
		}
		if len(values) != 1 || !allowed[at].read(a, values[0]) {
			return fault.Invalid("address_option", "option %s=%s: only %s is allowed", name, strings.Join(values, ","), allowed[at].rule)
		}
	}
	return nil
}

// Open is the way to the scale.
func (a Address) Open() Opener {
	if a.Scheme == "tcp" {
		return TCP(a.Place)
	}
	mode := a.Serial
	return Serial(a.Place, &mode)
}
