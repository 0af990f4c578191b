package main_test

import (
	"cmp"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/protobuf/types/known/timestamppb"

	"huskline/internal/access"
	"huskline/internal/bustest"
	"huskline/internal/lot"
	"huskline/internal/pgserver"
	"huskline/internal/planttest"
	"huskline/internal/postgres"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/huskline/internal/launch"
)

// gatePlant is the three services behind their real doors, TLS and all, in this process, so that time is the test's.
type gatePlant struct {
	authority  *planttest.Authority
	roots      *x509.CertPool
	admin      string            // secret of an administrator
	grpc, http map[string]string // addresses by service
	mqtt       string            // of intake
	ahead      atomic.Int64      // nanoseconds that the services' clock is ahead
}

func (g *gatePlant) now() time.Time { return time.Now().Add(time.Duration(g.ahead.Load())) }

func newGatePlant(t *testing.T) *gatePlant {
	t.Helper()
	g := &gatePlant{
		authority: planttest.NewAuthority(t), roots: x509.NewCertPool(), admin: strings.Repeat("5a", 32),
		grpc: map[string]string{}, http: map[string]string{},
	}
	pem, err := os.ReadFile(g.authority.File)
	require.NoError(t, err)
	require.True(t, g.roots.AppendCertsFromPEM(pem))
	server, err := pgserver.Start(t.Context(), pgserver.Config{Dir: filepath.Join(t.TempDir(), "cluster"), MaxConnections: 100})
	require.NoError(t, err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		_ = server.Stop(ctx)
	})
	bus := bustest.Listening(t)
	for _, name := range planttest.Services() {
		g.grpc[name] = planttest.FreePort(t)
	}
	for _, name := range planttest.Services() {
		owner, run, err := postgres.Provision(t.Context(), server.DSN("postgres", pgserver.Superuser), name)
		require.NoError(t, err)
		g.serve(t, launch.ServeConfig{Service: name, OwnerDSN: owner, RunDSN: run, NATS: bus.Server.URL()})
	}
	return g
}

// serve runs one service until the test ends.
func (g *gatePlant) serve(t *testing.T, cfg launch.ServeConfig) {
	t.Helper()
	cfg.GRPC, cfg.HTTP, cfg.CA, cfg.AdminToken = g.grpc[cfg.Service], "127.0.0.1:0", g.authority.File, g.admin
	cfg.Cert, cfg.Key = g.authority.Issue(t, cfg.Service)
	cfg.Now, cfg.Logger = g.now, slog.New(slog.DiscardHandler)
	cfg.Peers = map[lot.Producer]string{}
	for name, addr := range g.grpc {
		if name != cfg.Service {
			cfg.Peers[lot.Producer(name)] = addr
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	if cfg.Service == "intake" {
		cfg.MQTT = launch.DevicesConfig{Addr: "127.0.0.1:0", Dir: t.TempDir(), Cert: cfg.Cert, Key: cfg.Key, CA: cfg.CA}
	}
	ready, ended := make(chan launch.Bound, 1), make(chan error, 1)
	go func() { ended <- launch.Serve(ctx, cfg, func(at launch.Bound) { ready <- at }) }()
	select {
	case at := <-ready:
		g.http[cfg.Service], g.mqtt = at.HTTP, cmp.Or(at.MQTT, g.mqtt)
	case err := <-ended:
		cancel()
		t.Fatalf("serve %s: %v", cfg.Service, err)
	}
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Errorf("serve %s: %v", cfg.Service, err)
		}
	})
}

// papers are a caller's certificate, or none.
type papers struct {
	name    string
	pair    *tls.Certificate
	refused bool         // no connection comes about with it
	service lot.Producer // that it makes of its bearer; empty: nobody
}

func load(t *testing.T, cert, key string) *tls.Certificate {
	t.Helper()
	pair, err := tls.LoadX509KeyPair(cert, key)
	require.NoError(t, err)
	return &pair
}

// papers are the certificates that a caller may come with.
func (g *gatePlant) papers(t *testing.T) []papers {
	t.Helper()
	issued := func(name string) *tls.Certificate {
		cert, key := g.authority.Issue(t, name)
		return load(t, cert, key)
	}
	expiredCert, expiredKey := g.authority.IssueExpired(t, "inventory")
	foreignCert, foreignKey := planttest.NewAuthority(t).Issue(t, "inventory")
	return []papers{
		{name: "no certificate"},
		{name: "a service's", pair: issued("inventory"), service: lot.Inventory},
		{name: "another name's", pair: issued("mallory")},
		{name: "expired", pair: load(t, expiredCert, expiredKey), refused: true},
		{name: "a foreign authority's", pair: load(t, foreignCert, foreignKey), refused: true},
	}
}

// tls is how a caller with these papers connects to a service.
func (g *gatePlant) tls(service string, p papers) *tls.Config {
	cfg := &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: g.roots, ServerName: service}
	if p.pair != nil {
		// Sent whoever the server says it trusts, as a caller that is up to something would.
		cfg.GetClientCertificate = func(*tls.CertificateRequestInfo) (*tls.Certificate, error) { return p.pair, nil }
	}
	return cfg
}

// dial connects without the retries of our own clients: an answer is the first one.
func (g *gatePlant) dial(t *testing.T, service string, p papers) *grpc.ClientConn {
	t.Helper()
	conn, err := grpc.NewClient(g.grpc[service], grpc.WithTransportCredentials(credentials.NewTLS(g.tls(service, p))))
	require.NoError(t, err)
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// holder is a caller's token, or what is sent in its place.
type holder struct {
	name   string
	header string // authorization; empty: none is sent
	token  bool   // a token is named
	roles  []access.Role
}

// allowed tells whether the holder's token, where it is good, opens a method.
func (h holder) allowed(method string) bool {
	for _, want := range access.Allowed(method) {
		for _, has := range h.roles {
			if has == want {
				return true
			}
		}
	}
	return false
}

// holders registers tokens of every role at every service, good, expired and revoked ones, and adds what is no token of this plant. The
// services' clock goes on by two hours meanwhile.
func (g *gatePlant) holders(t *testing.T) []holder {
	t.Helper()
	forged := g.admin[:len(g.admin)-1] + "b"
	out := []holder{
		{name: "no token"},
		{name: "empty token", header: "Bearer "},
		{name: "another scheme", header: "Basic " + g.admin},
		{name: "no scheme", header: g.admin},
		{name: "a foreign plant's", header: "Bearer " + strings.Repeat("c3", 32), token: true},
		{name: "forged", header: "Bearer " + forged, token: true},
		{name: "in capitals", header: "Bearer " + strings.ToUpper(g.admin), token: true},
		{name: "what is stored of a token", header: fmt.Sprintf("Bearer %x", access.Hash(g.admin)), token: true},
		{name: "all roles", header: "Bearer " + g.admin, token: true, roles: access.TokenRoles()},
	}
	tokens := g.tokens(t)
	for _, role := range access.TokenRoles() {
		one := []string{string(role)}
		out = append(out,
			holder{name: string(role), header: "Bearer " + tokens.issue(t, one, 24*time.Hour, false), token: true, roles: []access.Role{role}},
			holder{name: "expired " + string(role), header: "Bearer " + tokens.issue(t, one, time.Hour, false), token: true},
			holder{name: "revoked " + string(role), header: "Bearer " + tokens.issue(t, one, 24*time.Hour, true), token: true},
		)
	}
	g.ahead.Store(int64(2 * time.Hour))
	return out
}

// tokenOffice registers tokens at all services as the administrator.
type tokenOffice struct {
	g          *gatePlant
	intake     intakev1.IntakeServiceClient
	inventory  inventoryv1.InventoryServiceClient
	production productionv1.ProductionServiceClient
}

func (g *gatePlant) tokens(t *testing.T) tokenOffice {
	t.Helper()
	conns := map[string]*grpc.ClientConn{}
	for _, name := range planttest.Services() {
		conn, err := rpc.Dial(rpc.DialConfig{Target: g.grpc[name], Token: g.admin, TLS: g.tls(name, papers{})})
		require.NoError(t, err)
		t.Cleanup(func() { _ = conn.Close() })
		conns[name] = conn
	}
	return tokenOffice{
		g, intakev1.NewIntakeServiceClient(conns["intake"]), inventoryv1.NewInventoryServiceClient(conns["inventory"]),
		productionv1.NewProductionServiceClient(conns["production"]),
	}
}

// issue registers a token and gives its secret.
func (o tokenOffice) issue(t *testing.T, roles []string, life time.Duration, revoked bool) string {
	t.Helper()
	sum := sha256.Sum256([]byte(t.Name() + strings.Join(roles, " ") + life.String() + fmt.Sprint(revoked)))
	secret := fmt.Sprintf("%x", sum)
	ctx, expires := t.Context(), timestamppb.New(o.g.now().Add(life))
	id, hash := uuid.NewString(), access.Hash(secret)
	a, err := o.intake.IssueToken(ctx, &intakev1.IssueTokenRequest{CommandId: id, Name: "gate", Roles: roles, SecretSha256: hash, Expires: expires})
	require.NoError(t, err)
	b, err := o.inventory.IssueToken(ctx, &inventoryv1.IssueTokenRequest{CommandId: id, Name: "gate", Roles: roles, SecretSha256: hash, Expires: expires})
	require.NoError(t, err)
	c, err := o.production.IssueToken(ctx, &productionv1.IssueTokenRequest{CommandId: id, Name: "gate", Roles: roles, SecretSha256: hash, Expires: expires})
	require.NoError(t, err)
	if revoked {
		id = uuid.NewString()
		_, err = o.intake.RevokeToken(ctx, &intakev1.RevokeTokenRequest{CommandId: id, TokenId: a.GetTokenId()})
		require.NoError(t, err)
		_, err = o.inventory.RevokeToken(ctx, &inventoryv1.RevokeTokenRequest{CommandId: id, TokenId: b.GetTokenId()})
		require.NoError(t, err)
		_, err = o.production.RevokeToken(ctx, &productionv1.RevokeTokenRequest{CommandId: id, TokenId: c.GetTokenId()})
		require.NoError(t, err)
	}
	return secret
}
