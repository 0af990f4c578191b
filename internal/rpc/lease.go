package rpc

import (
	"net"
	"time"

	"google.golang.org/grpc/credentials"
)

// leased is TLS whose connections end when the certificate runs out that the client showed: a handshake judges it once, and a connection may live for
// half an hour after it. The client comes again, with a new certificate or to be refused. The time is the machine's, as at the handshake.
type leased struct {
	credentials.TransportCredentials
}

// ServerHandshake is the handshake of the credentials beneath.
func (l leased) ServerHandshake(raw net.Conn) (net.Conn, credentials.AuthInfo, error) {
	conn, info, err := l.TransportCredentials.ServerHandshake(raw)
	if err != nil {
		return conn, info, err
	}
	until, ok := runsOut(info)
	if !ok {
		return conn, info, nil
	}
	ended := &lease{Conn: conn}
	ended.timer = time.AfterFunc(time.Until(until), func() { _ = conn.Close() })
	return ended, info, nil
}

// Clone keeps the lease.
func (l leased) Clone() credentials.TransportCredentials {
	return leased{l.TransportCredentials.Clone()}
}

// runsOut is when the first certificate of the client's chain is no longer good; false where the client showed none.
func runsOut(info credentials.AuthInfo) (until time.Time, ok bool) {
	secure, isTLS := info.(credentials.TLSInfo)
	if !isTLS || len(secure.State.VerifiedChains) == 0 {
		return time.Time{}, false
	}
	for _, c := range secure.State.VerifiedChains[0] {
		if until.IsZero() || c.NotAfter.Before(until) {
			until = c.NotAfter
		}
	}
	return until, true
}

// lease is a connection with the timer that ends it.
type lease struct {
	net.Conn
	timer *time.Timer
}

// Close closes it and forgets the timer.
func (l *lease) Close() error {
	l.timer.Stop()
	return l.Conn.Close()
}
