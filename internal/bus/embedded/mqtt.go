package embedded

import (
	"context"
	"crypto/tls"
	"net"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats-server/v2/server"

	"huskline/internal/fault"
)

// MQTT makes the server listen for devices that speak MQTT 3.1.1. What they publish with quality of service 1 or 2 is acknowledged once it is on the disk:
// the server then flushes every write, and a folder that it cannot use fails the start. So such a server serves devices alone and not the services' bus.
// A device gives its secret as password; its user name is not looked at. It may publish and never subscribe. What it publishes is kept with its name.
type MQTT struct {
	Listen string      // host:port, port 0 for any
	TLS    *tls.Config // nil: none
	// Admit names whom a secret belongs to that may post now. It is asked when a device connects and again by Recheck.
	Admit func(ctx context.Context, secret string) (name string, err error)
}

// MQTTStream is where the server keeps what devices published until it is taken off. Its subjects are MQTTSubjectPrefix and the topic with dots for slashes
// and two slashes for a dot; Signer tells the sender. Whoever takes it off makes the stream before the first device connects; the server takes the one that is there.
const (
	MQTTStream        = "$MQTT_msgs"
	MQTTSubjectPrefix = "$MQTT.msgs."
	// MQTTSubjects are those of messages as they are passed on, kept or not.
	MQTTSubjects = "by.>"
)

// Topic turns the subject of a message, without prefix, back into the topic it was published under.
func Topic(subject string) string {
	const dot = "\x00"
	return strings.ReplaceAll(strings.ReplaceAll(strings.ReplaceAll(subject, "//", dot), ".", "/"), dot, ".")
}

// admitLimit bounds how long a device waits for an answer to its connection.
const admitLimit = 5 * time.Second

// listenMQTT adds the listener behind the front to the server's options.
func (s *Server) listenMQTT(o *server.Options) error {
	host, text, err := net.SplitHostPort(s.cfg.MQTT.Listen)
	if err != nil {
		return fault.Invalid("bus_address", "MQTT address %q: host:port", s.cfg.MQTT.Listen)
	}
	port, err := strconv.Atoi(text)
	if err != nil || port < 0 || port > 65_535 {
		return fault.Invalid("bus_address", "MQTT address %q: the port is no number up to 65535", s.cfg.MQTT.Listen)
	}
	if s.mqttPort == 0 {
		s.mqttPort = port
	}
	if err := s.probePort(host, s.mqttPort); err != nil {
		return err
	}
	o.MQTT.Host, o.MQTT.Port = "127.0.0.1", server.RANDOM_PORT
	o.MQTT.AuthTimeout = (2 * admitLimit).Seconds()
	o.SyncAlways = true
	o.CustomClientAuthentication = gate{s}
	return nil
}

// openFront lets devices in, at the same port after a restart.
func (s *Server) openFront(behind int) error {
	host, _, err := net.SplitHostPort(s.cfg.MQTT.Listen)
	if err != nil {
		return err
	}
	s.front, err = openFront(s.cfg.MQTT, net.JoinHostPort(host, strconv.Itoa(s.mqttPort)), net.JoinHostPort("127.0.0.1", strconv.Itoa(behind)), s.cfg.Logger)
	if err != nil {
		return err
	}
	s.mqttPort = s.front.listener.Addr().(*net.TCPAddr).Port
	return nil
}

// MQTTAddr is where devices connect; "" if nowhere.
func (s *Server) MQTTAddr() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.cfg.MQTT == nil || s.mqttPort == 0 {
		return ""
	}
	host, _, _ := net.SplitHostPort(s.cfg.MQTT.Listen)
	return net.JoinHostPort(host, strconv.Itoa(s.mqttPort))
}

// guests is who is connected, by the server's number of the connection. The server does not tell who left: Recheck finds out.
type guests struct {
	mu      sync.Mutex
	secrets map[uint64]string
}

// gate lets devices in that show a secret, and connections from this process.
type gate struct{ s *Server }

// Check answers a connection.
func (g gate) Check(c server.ClientAuthentication) bool {
	remote := c.RemoteAddress()
	if remote == nil || remote.Network() == "pipe" {
		return remote != nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), admitLimit)
	defer cancel()
	secret := c.GetOpts().Password
	name, err := g.s.cfg.MQTT.Admit(ctx, secret)
	if err != nil {
		g.s.cfg.Logger.WarnContext(ctx, "device refused", "remote", remote.String(), "reason", err)
		return false
	}
	c.RegisterUser(&server.User{Permissions: &server.Permissions{
		Publish:   &server.SubjectPermission{Allow: []string{strings.ReplaceAll(signed(name), "/", ".") + ">"}},
		Subscribe: &server.SubjectPermission{Deny: []string{">"}},
	}})
	g.s.guests.mu.Lock()
	defer g.s.guests.mu.Unlock()
	if g.s.guests.secrets == nil {
		g.s.guests.secrets = map[uint64]string{}
	}
	g.s.guests.secrets[c.GetID()] = secret
	return true
}

// Recheck ends the connections of devices that may post no more, because their token was revoked or has run out. A secret that cannot be judged now keeps
// its connection.
func (s *Server) Recheck(ctx context.Context) {
	s.mu.Lock()
	running := s.running
	s.mu.Unlock()
	if running == nil {
		return
	}
	s.guests.mu.Lock()
	defer s.guests.mu.Unlock()
	for id, secret := range s.guests.secrets {
		if running.GetClient(id) == nil {
			delete(s.guests.secrets, id)
			continue
		}
		if _, err := s.cfg.MQTT.Admit(ctx, secret); fault.Refused(err) {
			s.cfg.Logger.WarnContext(ctx, "device is disconnected", "reason", err)
			_ = running.DisconnectClientByID(id)
			delete(s.guests.secrets, id)
		}
	}
}
