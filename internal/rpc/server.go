// Package rpc is how the services speak gRPC: one chain of interceptors in front of every method (who calls, may they, is the message well
// formed, has what it relies on been applied), faults as statuses, and connections that retry what is safe to repeat.
package rpc

import (
	"context"
	"crypto/tls"
	"errors"
	"log/slog"
	"strings"
	"time"

	"buf.build/go/protovalidate"
	"github.com/grpc-ecosystem/go-grpc-middleware/v2/interceptors/recovery"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/stats"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	"huskline/internal/access"
	"huskline/internal/fault"
	"huskline/internal/lot"
)

// MaxMessage bounds what one message brings, bytes, at every door alike: as protobuf by gRPC, as JSON over HTTP. A batch of 10,000 readings is about
// 1 MiB as the one and 2 MiB as the other. A larger one is refused whole with this figure.
const MaxMessage = 4 << 20

// Limits of every server. Idle or old connections are renewed so that load spreads; a caller that floods is cut off by streams per connection.
const (
	maxStreams        = 100
	maxHeaderBytes    = 8 << 10
	maxConnectionAge  = 30 * time.Minute
	maxConnectionIdle = 15 * time.Minute
	pingAfter         = time.Minute
	pingTimeout       = 20 * time.Second
	longestCall       = 2 * time.Minute // for a caller that sets no deadline; a sooner one of the caller's stands
)

// Door is what a service gives the chain for its own methods.
type Door struct {
	Verify func(ctx context.Context, secret string) (access.Actor, error) // a token's actor
	Wait   func(ctx context.Context, receipts []lot.Receipt) error        // until applied
}

// ServerConfig makes a server.
type ServerConfig struct {
	Doors   map[string]Door // by full service name, "huskline.intake.v1.IntakeService"
	Peer    lot.Producer    // set where the connection itself is the caller's identity: every call comes from this service
	TLS     *tls.Config     // nil: no TLS; a verified client certificate's common name is the calling service
	Logger  *slog.Logger
	Now     func() time.Time
	Observe func(method string, code codes.Code, took time.Duration) // metrics; nil: none
	Stats   stats.Handler                                            // traces; nil: none
}

// NewServer makes a server with the chain in place; services are registered on it by the caller.
func NewServer(cfg ServerConfig) (*grpc.Server, error) {
	validator, err := protovalidate.New()
	if err != nil {
		return nil, err
	}
	c := &chain{cfg: cfg, validator: validator}
	rescue := recovery.WithRecoveryHandlerContext(func(ctx context.Context, p any) error {
		return fault.Bug("panic: %v", p)
	})
	opts := []grpc.ServerOption{
		grpc.MaxRecvMsgSize(MaxMessage),
		grpc.MaxConcurrentStreams(maxStreams),
		grpc.MaxHeaderListSize(maxHeaderBytes),
		grpc.KeepaliveParams(keepalive.ServerParameters{
			MaxConnectionIdle: maxConnectionIdle, MaxConnectionAge: maxConnectionAge, MaxConnectionAgeGrace: time.Minute,
			Time: pingAfter, Timeout: pingTimeout,
		}),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.ChainUnaryInterceptor(c.unaryEdge, recovery.UnaryServerInterceptor(rescue), c.unaryAdmit),
		grpc.ChainStreamInterceptor(c.streamEdge, recovery.StreamServerInterceptor(rescue), c.streamAdmit),
	}
	if cfg.TLS != nil {
		opts = append(opts, grpc.Creds(leased{credentials.NewTLS(cfg.TLS)}))
	}
	if cfg.Stats != nil {
		opts = append(opts, grpc.StatsHandler(cfg.Stats))
	}
	return grpc.NewServer(opts...), nil
}

type chain struct {
	cfg       ServerConfig
	validator protovalidate.Validator
}

// unaryEdge is the outermost: it logs once, counts, and turns whatever comes out into a status.
func (c *chain) unaryEdge(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	start := c.cfg.Now()
	answer, err := next(ctx, req)
	return answer, c.finish(ctx, info.FullMethod, start, err)
}

func (c *chain) streamEdge(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	start := c.cfg.Now()
	return c.finish(ss.Context(), info.FullMethod, start, next(srv, ss))
}

func (c *chain) finish(ctx context.Context, method string, start time.Time, err error) error {
	took := c.cfg.Now().Sub(start)
	out := ToStatus(err)
	code := status.Code(out)
	if c.cfg.Observe != nil {
		c.cfg.Observe(method, code, took)
	}
	level := slog.LevelDebug
	attrs := []slog.Attr{slog.String("rpc", method), slog.String("code", code.String()), slog.Duration("took", took)}
	if err != nil {
		level = slog.LevelInfo
		attrs = append(attrs, slog.String("reason", fault.ReasonOf(err)), slog.String("error", err.Error()))
	}
	if code == codes.Internal || code == codes.Unknown {
		level = slog.LevelError
		var bug *fault.BugError
		if errors.As(err, &bug) {
			attrs = append(attrs, slog.String("stack", string(bug.Stack)))
		}
	}
	c.cfg.Logger.LogAttrs(ctx, level, "call", attrs...)
	return out
}

// unaryAdmit identifies the caller, judges their right and the message's form, and waits for what the call relies on.
func (c *chain) unaryAdmit(ctx context.Context, req any, info *grpc.UnaryServerInfo, next grpc.UnaryHandler) (any, error) {
	ctx, cancel := context.WithTimeout(ctx, longestCall)
	defer cancel()
	ctx, receipts, err := c.admit(ctx, info.FullMethod)
	if err != nil {
		return nil, err
	}
	if err := c.wellFormed(req); err != nil {
		return nil, err
	}
	if wait := c.cfg.Doors[serviceOf(info.FullMethod)].Wait; len(receipts) > 0 && wait != nil {
		if err := wait(ctx, receipts); err != nil {
			return nil, err
		}
	}
	return next(ctx, req)
}

func (c *chain) streamAdmit(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, next grpc.StreamHandler) error {
	ctx, _, err := c.admit(ss.Context(), info.FullMethod)
	if err != nil {
		return err
	}
	return next(srv, &admitted{ServerStream: ss, ctx: ctx, chain: c, method: info.FullMethod, each: !info.IsClientStream})
}

// admitted is a stream whose context knows the caller. Requests that open a server stream are judged for form here; messages of a client's
// stream are judged by the service one by one, so that a bad batch is answered and the stream lives on.
type admitted struct {
	grpc.ServerStream
	ctx    context.Context
	chain  *chain
	method string
	each   bool
}

// Context is the stream's context with the caller in it.
func (a *admitted) Context() context.Context { return a.ctx }

// RecvMsg receives and judges the form, and on a stream that lives long the caller's right again: a token may be revoked meanwhile.
func (a *admitted) RecvMsg(m any) error {
	if err := a.ServerStream.RecvMsg(m); err != nil {
		return err
	}
	if a.each {
		return a.chain.wellFormed(m)
	}
	_, _, err := a.chain.admit(a.ServerStream.Context(), a.method)
	return err
}

// SendMsg sends, on a stream of the server's after it judged the caller's right again: such a stream may outlive a token.
func (a *admitted) SendMsg(m any) error {
	if a.each {
		if _, _, err := a.chain.admit(a.ServerStream.Context(), a.method); err != nil {
			return err
		}
	}
	return a.ServerStream.SendMsg(m)
}

// healthService is open to everybody: a probe carries no token, and learns only whether the server serves.
const healthService = "grpc.health.v1.Health"

func (c *chain) admit(ctx context.Context, method string) (context.Context, []lot.Receipt, error) {
	if serviceOf(method) == healthService {
		return ctx, nil, nil
	}
	actor, err := c.identify(ctx, method)
	if err != nil {
		return ctx, nil, err
	}
	if err := access.Check(actor, method); err != nil {
		return ctx, nil, err
	}
	return receiptsFrom(access.WithActor(ctx, actor))
}

func (c *chain) identify(ctx context.Context, method string) (access.Actor, error) {
	if c.cfg.Peer != "" {
		return PeerActor(c.cfg.Peer), nil
	}
	secret := bearer(ctx)
	if name := certificateName(ctx); name != "" && secret == "" {
		return PeerActor(lot.Producer(name)), nil
	}
	door, ok := c.cfg.Doors[serviceOf(method)]
	if !ok || door.Verify == nil {
		return access.Actor{}, fault.Denied("method_unknown", "call %s: there is no such method here", method)
	}
	return door.Verify(ctx, secret)
}

// PeerActor is a service of the plant as a caller.
func PeerActor(p lot.Producer) access.Actor {
	return access.Actor{Name: string(p), Roles: []access.Role{access.Peer}, Peer: p}
}

func bearer(ctx context.Context) string {
	md, _ := metadata.FromIncomingContext(ctx)
	for _, h := range md.Get("authorization") {
		if scheme, secret, ok := strings.Cut(h, " "); ok && strings.EqualFold(scheme, "bearer") {
			return strings.TrimSpace(secret)
		}
	}
	return ""
}

// certificateName is the common name of a verified client certificate, where it names a service of the plant.
func certificateName(ctx context.Context) string {
	p, ok := peer.FromContext(ctx)
	if !ok {
		return ""
	}
	info, ok := p.AuthInfo.(credentials.TLSInfo)
	if !ok || len(info.State.VerifiedChains) == 0 {
		return ""
	}
	switch name := info.State.VerifiedChains[0][0].Subject.CommonName; lot.Producer(name) {
	case lot.Intake, lot.Inventory, lot.Production:
		return name
	}
	return ""
}

func serviceOf(fullMethod string) string {
	service, _, _ := strings.Cut(strings.TrimPrefix(fullMethod, "/"), "/")
	return service
}

// WellFormed judges a message by the contract's rules of form, for streams whose service judges each message itself.
func WellFormed(m proto.Message) error { return formFault(protovalidate.Validate(m)) }

func (c *chain) wellFormed(m any) error {
	msg, ok := m.(proto.Message)
	if !ok {
		return fault.Bug("request is no protobuf message: %T", m)
	}
	return formFault(c.validator.Validate(msg))
}
