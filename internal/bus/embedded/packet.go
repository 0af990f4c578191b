package embedded

import (
	"bufio"
	"encoding/binary"
	"io"

	"huskline/internal/fault"
)

// The packets of MQTT 3.1.1 that the front looks into, by the upper half of their first byte.
const (
	packetConnect = 1
	packetPublish = 3
)

// maxPacket bounds what a device sends at once; a reading has some hundred bytes.
const maxPacket = 64 << 10

// packet is one packet as it came.
type packet struct {
	first byte
	body  []byte
}

func (p packet) kind() byte { return p.first >> 4 }

// readPacket reads the next packet whole; io.EOF at a clean end.
func readPacket(r *bufio.Reader) (packet, error) {
	first, err := r.ReadByte()
	if err != nil {
		return packet{}, err
	}
	length, shift := 0, 0
	for {
		b, err := r.ReadByte()
		if err != nil {
			return packet{}, noEOF(err)
		}
		length |= int(b&0x7f) << shift
		if b&0x80 == 0 {
			break
		}
		if shift += 7; shift > 21 {
			return packet{}, fault.Invalid("packet_malformed", "MQTT packet: its length has more than four bytes")
		}
	}
	if length > maxPacket {
		return packet{}, fault.Invalid("packet_too_large", "MQTT packet of %d bytes: at most %d are allowed", length, maxPacket)
	}
	p := packet{first, make([]byte, length)}
	_, err = io.ReadFull(r, p.body)
	return p, noEOF(err)
}

// noEOF is for an end within a packet.
func noEOF(err error) error {
	if err == io.EOF {
		return io.ErrUnexpectedEOF
	}
	return err
}

// bytes is the packet as it is sent.
func (p packet) bytes() []byte {
	out := []byte{p.first}
	for n := len(p.body); ; {
		b := byte(n & 0x7f)
		if n >>= 7; n > 0 {
			out = append(out, b|0x80)
			continue
		}
		out = append(out, b)
		return append(out, p.body...)
	}
}

// field takes a text led by its length of two bytes off the body.
func field(body []byte) (text, rest []byte, err error) {
	if len(body) >= 2 {
		if n := int(binary.BigEndian.Uint16(body)); len(body) >= 2+n {
			return body[2 : 2+n], body[2+n:], nil
		}
	}
	return nil, nil, fault.Invalid("packet_malformed", "MQTT packet: a text in it is cut off")
}

// password is the password of a connect packet; "" where it has none.
func (p packet) password() (string, error) {
	const (
		hasUser     = 0x80
		hasPassword = 0x40
		hasWill     = 0x04
		fixed       = 4 // level, flags, two bytes of the time between signs of life
	)
	_, rest, err := field(p.body)
	if err != nil {
		return "", err
	}
	if len(rest) < fixed {
		return "", fault.Invalid("packet_malformed", "MQTT packet to connect: it is cut off")
	}
	flags, rest := rest[1], rest[fixed:]
	skip := 1 // the client's id
	if flags&hasWill != 0 {
		skip += 2
	}
	if flags&hasUser != 0 {
		skip++
	}
	for range skip {
		if _, rest, err = field(rest); err != nil {
			return "", err
		}
	}
	if flags&hasPassword == 0 {
		return "", nil
	}
	text, _, err := field(rest)
	return string(text), err
}

// under is a publish packet with something put before its topic.
func (p packet) under(prefix string) (packet, error) {
	topic, rest, err := field(p.body)
	if err != nil {
		return p, err
	}
	n := len(prefix) + len(topic)
	if n > 0xffff {
		return p, fault.Invalid("packet_malformed", "MQTT topic of %d bytes: it is too long", len(topic))
	}
	body := binary.BigEndian.AppendUint16(make([]byte, 0, 2+n+len(rest)), uint16(n))
	body = append(append(append(body, prefix...), topic...), rest...)
	return packet{p.first, body}, nil
}
