package embedded

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/hex"
	"errors"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"time"

	"huskline/internal/fault"
)

// front stands before the server's own listener, which is on loopback: it ends TLS, finds out who connects, and puts that name before every topic, since the
// server keeps no sender with a message. The server lets each secret publish under its own name alone, so that nobody writes as another by going round
// the front.
type front struct {
	mqtt     *MQTT
	listener net.Listener
	behind   string
	logger   *slog.Logger
	ctx      context.Context
	cancel   context.CancelFunc
	work     sync.WaitGroup
	seats    chan struct{}
}

// maxDevices bounds the connections at a time.
const maxDevices = 1000

func openFront(m *MQTT, addr, behind string, logger *slog.Logger) (*front, error) {
	l, err := net.Listen("tcp", addr)
	if err != nil {
		return nil, fault.Precondition("bus_address", "MQTT address %s: %w", addr, err)
	}
	f := &front{mqtt: m, listener: l, behind: behind, logger: logger, seats: make(chan struct{}, maxDevices)}
	f.ctx, f.cancel = context.WithCancel(context.Background())
	f.work.Go(f.accept)
	return f, nil
}

// close ends the listener and all connections, and waits for them.
func (f *front) close() {
	f.cancel()
	_ = f.listener.Close()
	f.work.Wait()
}

func (f *front) accept() {
	for {
		conn, err := f.listener.Accept()
		if err != nil {
			if f.ctx.Err() != nil || errors.Is(err, net.ErrClosed) {
				return
			}
			f.logger.Error("MQTT listener", "reason", err)
			select { // too many open files, most likely: some will close
			case <-f.ctx.Done():
			case <-time.After(readyStep):
			}
			continue
		}
		select {
		case f.seats <- struct{}{}:
		default:
			f.logger.Warn("device refused", "remote", conn.RemoteAddr().String(), "reason", "too many devices are connected")
			_ = conn.Close()
			continue
		}
		f.work.Go(func() {
			defer func() { <-f.seats }()
			if err := f.carry(conn); err != nil && f.ctx.Err() == nil {
				f.logger.Warn("device's connection ended", "remote", conn.RemoteAddr().String(), "reason", err)
			}
		})
	}
}

// The answers to a connection that is not let in: not authorized, and not now.
const (
	connackDenied = "\x20\x02\x00\x05"
	connackAway   = "\x20\x02\x00\x03"
)

// carry serves one device until either side ends. What the device is let do after a time without a sign of life is the server's to say.
func (f *front) carry(raw net.Conn) error {
	conn := raw
	if f.mqtt.TLS != nil {
		conn = tls.Server(raw, f.mqtt.TLS)
	}
	stop := context.AfterFunc(f.ctx, func() { _ = raw.Close() })
	defer stop()
	defer func() { _ = conn.Close() }()
	late := time.AfterFunc(2*admitLimit, func() { _ = raw.Close() })
	defer late.Stop()
	in := bufio.NewReader(conn)
	first, name, err := f.greet(in)
	if err != nil {
		answer := connackDenied
		if !fault.Refused(err) {
			answer = connackAway
		}
		_, _ = io.WriteString(conn, answer)
		return err
	}
	up, err := net.DialTimeout("tcp", f.behind, admitLimit)
	if err != nil {
		_, _ = io.WriteString(conn, connackAway)
		return err
	}
	defer func() { _ = up.Close() }()
	late.Stop()
	if _, err := up.Write(first.bytes()); err != nil {
		return err
	}
	f.work.Go(func() {
		_, _ = io.Copy(conn, up)
		_ = conn.Close()
	})
	for {
		p, err := readPacket(in)
		if err != nil {
			if fault.Refused(err) {
				return err
			}
			return nil // it went away
		}
		if p.kind() == packetPublish {
			if p, err = p.under(name); err != nil {
				return err
			}
		}
		if _, err := up.Write(p.bytes()); err != nil {
			return nil // the server ended it, and says why
		}
	}
}

// greet reads the packet to connect and finds the name to publish under.
func (f *front) greet(in *bufio.Reader) (packet, string, error) {
	p, err := readPacket(in)
	if err != nil {
		return p, "", err
	}
	if p.kind() != packetConnect {
		return p, "", fault.Invalid("packet_malformed", "first MQTT packet is of kind %d: a device begins by connecting", p.kind())
	}
	secret, err := p.password()
	if err != nil {
		return p, "", err
	}
	ctx, cancel := context.WithTimeout(f.ctx, admitLimit)
	defer cancel()
	name, err := f.mqtt.Admit(ctx, secret)
	return p, signed(name), err
}

// signedBy leads the topics of messages whose sender is known.
const signedBy = "by/"

// signed is what stands before the topics of a sender; its name in hexadecimal, since a name may have what a topic has not.
func signed(name string) string { return signedBy + hex.EncodeToString([]byte(name)) + "/" }

// Signer parts a topic from who published under it; "" where nobody is told.
func Signer(topic string) (name, under string) {
	code, rest, found := strings.Cut(strings.TrimPrefix(topic, signedBy), "/")
	if !found || !strings.HasPrefix(topic, signedBy) {
		return "", topic
	}
	text, err := hex.DecodeString(code)
	if err != nil {
		return "", topic
	}
	return string(text), rest
}
