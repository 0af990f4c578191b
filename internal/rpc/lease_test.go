package rpc_test

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"log/slog"
	"net"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/health"
	healthv1 "google.golang.org/grpc/health/grpc_health_v1"

	"huskline/internal/planttest"
	"huskline/internal/rpc"
)

// Catches: a certificate that is looked at once, when its connection is made, and is good as long as that lives.
func TestConnectionEndsWithItsCertificate(t *testing.T) {
	t.Parallel()
	authority := planttest.NewAuthority(t)
	pem, err := os.ReadFile(authority.File)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(pem))
	pair := func(cert, key string) tls.Certificate {
		p, err := tls.LoadX509KeyPair(cert, key)
		require.NoError(t, err)
		return p
	}
	server, err := rpc.NewServer(rpc.ServerConfig{Logger: slog.New(slog.DiscardHandler), Now: time.Now, TLS: &tls.Config{
		MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{pair(authority.Issue(t, "intake"))}, ClientCAs: pool, ClientAuth: tls.VerifyClientCertIfGiven,
	}})
	require.NoError(t, err)
	healthv1.RegisterHealthServer(server, health.NewServer())
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	go func() { _ = server.Serve(l) }()
	t.Cleanup(server.Stop)

	dial := func(certs ...tls.Certificate) *grpc.ClientConn {
		conn, err := rpc.Dial(rpc.DialConfig{Target: l.Addr().String(), TLS: &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: pool, ServerName: "intake", Certificates: certs}})
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		return conn
	}
	call := func(conn *grpc.ClientConn) error {
		ctx, cancel := context.WithTimeout(t.Context(), 5*time.Second)
		defer cancel()
		_, err := healthv1.NewHealthClient(conn).Check(ctx, &healthv1.HealthCheckRequest{})
		return err
	}
	cert, key, err := authority.MakeUntil("inventory", time.Now().Add(2*time.Second))
	require.NoError(t, err)
	short, none := dial(pair(cert, key)), dial()
	require.NoError(t, call(short))
	require.Eventually(t, func() bool { return call(short) != nil }, 15*time.Second, 50*time.Millisecond, "it is let in with a certificate that has run out")
	require.NoError(t, call(none), "who shows no certificate is let in as before")
}
