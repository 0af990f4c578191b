package rpc

import (
	"context"
	"crypto/tls"
	"net"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/stats"
)

// retryPolicy repeats what was answered UNAVAILABLE: every write carries its id, so a repeat is the same command.
const retryPolicy = `{"methodConfig":[{"name":[{}],"retryPolicy":{"maxAttempts":4,"initialBackoff":"0.1s","maxBackoff":"1s",
	"backoffMultiplier":2,"retryableStatusCodes":["UNAVAILABLE"]}}]}`

// maxAnswer bounds an answer; a drill of a large lot is the largest.
const maxAnswer = 64 << 20

// reconnect is the pause between two tries to connect. By itself gRPC would wait up to two minutes after a long outage, and everything has to have
// arrived half a minute after one.
var reconnect = backoff.Config{BaseDelay: 200 * time.Millisecond, Multiplier: 1.6, Jitter: 0.2, MaxDelay: 3 * time.Second}

// connectTimeout bounds one try, so that a line that swallows it is given up in time for the next.
const connectTimeout = 5 * time.Second

// DialConfig makes a connection.
type DialConfig struct {
	Target string // "127.0.0.1:7400", "unix:///run/x.sock", or anything with Dialer
	Token  string // sent as a bearer token; empty: none
	TLS    *tls.Config
	Dialer func(ctx context.Context, addr string) (net.Conn, error) // nil: the network
	Stats  stats.Handler
}

// Dial makes a connection; nothing is sent before the first call.
func Dial(cfg DialConfig) (*grpc.ClientConn, error) {
	creds := insecure.NewCredentials()
	if cfg.TLS != nil {
		creds = credentials.NewTLS(cfg.TLS)
	}
	opts := []grpc.DialOption{
		grpc.WithTransportCredentials(creds),
		grpc.WithDefaultServiceConfig(retryPolicy),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(maxAnswer)),
		grpc.WithConnectParams(grpc.ConnectParams{Backoff: reconnect, MinConnectTimeout: connectTimeout}),
		grpc.WithKeepaliveParams(keepalive.ClientParameters{Time: 30 * time.Second, Timeout: pingTimeout}),
	}
	target := cfg.Target
	if cfg.Dialer != nil {
		opts = append(opts, grpc.WithContextDialer(cfg.Dialer))
		target = "passthrough:///" + cfg.Target
	}
	if cfg.Token != "" {
		opts = append(opts, grpc.WithPerRPCCredentials(bearerToken{secret: cfg.Token, secure: cfg.TLS != nil}))
	}
	if cfg.Stats != nil {
		opts = append(opts, grpc.WithStatsHandler(cfg.Stats))
	}
	return grpc.NewClient(target, opts...)
}

type bearerToken struct {
	secret string
	secure bool
}

// GetRequestMetadata puts the token into the call's metadata.
func (b bearerToken) GetRequestMetadata(context.Context, ...string) (map[string]string, error) {
	return map[string]string{"authorization": "Bearer " + b.secret}, nil
}

// RequireTransportSecurity keeps a token that belongs to a TLS door off a plain one.
func (b bearerToken) RequireTransportSecurity() bool { return b.secure }
