package main_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"huskline/internal/access"
	"huskline/internal/planttest"
	"huskline/proto"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
)

// gateMethod is a method of a contract, found in its descriptor, so that a new one is tried without anybody thinking of it.
type gateMethod struct {
	service string // "intake"
	full    string // "/huskline.intake.v1.IntakeService/GetHead"
	desc    protoreflect.MethodDescriptor
}

// gateMethods are all methods of all services of all contracts; the packages of the three services register them.
func gateMethods() []gateMethod {
	var out []gateMethod
	protoregistry.GlobalFiles.RangeFiles(func(file protoreflect.FileDescriptor) bool {
		name, ours := strings.CutPrefix(string(file.Package()), "huskline.")
		name, _, _ = strings.Cut(name, ".")
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for j := range service.Methods().Len() {
				m := service.Methods().Get(j)
				if ours {
					out = append(out, gateMethod{name, fmt.Sprintf("/%s/%s", service.FullName(), m.Name()), m})
				}
			}
		}
		return true
	})
	return out
}

// call sends an empty message and gives the code of the first answer. Nearly every handler refuses such a message for its form; what matters is
// whether it came as far.
func (m gateMethod) call(ctx context.Context, conn *grpc.ClientConn, authorization string) codes.Code {
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	if authorization != "" {
		ctx = metadata.AppendToOutgoingContext(ctx, "authorization", authorization)
	}
	in, out := dynamicpb.NewMessage(m.desc.Input()), dynamicpb.NewMessage(m.desc.Output())
	if !m.desc.IsStreamingServer() && !m.desc.IsStreamingClient() {
		return status.Code(conn.Invoke(ctx, m.full, in, out))
	}
	s, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: m.desc.IsStreamingServer(), ClientStreams: m.desc.IsStreamingClient()}, m.full)
	if err == nil {
		err = s.SendMsg(in)
	}
	if err == nil || errors.Is(err, io.EOF) {
		_ = s.CloseSend()
		err = s.RecvMsg(out)
	}
	if errors.Is(err, io.EOF) {
		return codes.OK
	}
	return status.Code(err)
}

// gateWant is what must come of a call, by the table alone: OK stands for whatever is neither of the two refusals.
func gateWant(method string, h holder, p papers) codes.Code {
	switch {
	case p.refused:
		return codes.Unavailable
	case h.token && h.roles == nil:
		return codes.Unauthenticated
	case h.token:
		return allowedOr(h.allowed(method), codes.PermissionDenied)
	case p.service != "":
		return allowedOr(slices.Contains(access.Allowed(method), access.Peer), codes.PermissionDenied)
	}
	return codes.Unauthenticated
}

func allowedOr(allowed bool, refusal codes.Code) codes.Code {
	if allowed {
		return codes.OK
	}
	return refusal
}

// TestWhoMayCall tries every method of the contracts with every role, every kind of token and every kind of certificate, through the services'
// real doors: thousands of calls, each judged by the table of methods and roles alone. The deliberate breaks it catches: a method registered
// past the interceptors, a stream that is not judged, an expired or revoked token or a certificate of another name taken for a service's, a JSON
// door with an identity of its own.
func TestWhoMayCall(t *testing.T) {
	t.Parallel()
	g := newGatePlant(t)
	holders, all := g.holders(t), g.papers(t)
	t.Run("calls", func(t *testing.T) {
		t.Parallel()
		g.tryCalls(t, holders, all)
	})
	t.Run("paths", func(t *testing.T) {
		t.Parallel()
		g.tryPaths(t, holders, all)
	})
	t.Run("JSON", func(t *testing.T) {
		t.Parallel()
		g.tryJSON(t, holders, all)
	})
	t.Run("services", func(t *testing.T) {
		t.Parallel()
		g.tryServices(t)
	})
	t.Run("revoked while it watches", func(t *testing.T) {
		t.Parallel()
		g.tryRevoked(t)
	})
}

// tryRevoked: a live view outlives neither its token nor the few seconds that a token is believed.
func (g *gatePlant) tryRevoked(t *testing.T) {
	office := g.tokens(t)
	roles := []string{string(access.Auditor), string(access.Quality)} // no other token here has both
	secret := office.issue(t, roles, time.Hour, false)
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	client := inventoryv1.NewInventoryServiceClient(g.dial(t, "inventory", papers{}))
	stream, err := client.WatchBalances(metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+secret), &inventoryv1.WatchBalancesRequest{})
	require.NoError(t, err)
	_, err = stream.Recv()
	require.NoError(t, err)
	known, err := office.inventory.ListTokens(ctx, &inventoryv1.ListTokensRequest{PageSize: 1000})
	require.NoError(t, err)
	for _, token := range known.GetTokens() {
		if token.GetName() == "gate" && slices.Equal(token.GetRoles(), roles) {
			_, err := office.inventory.RevokeToken(ctx, &inventoryv1.RevokeTokenRequest{CommandId: uuid.NewString(), TokenId: token.GetTokenId()})
			require.NoError(t, err)
		}
	}
	for err == nil {
		_, err = stream.Recv()
	}
	require.Equal(t, codes.Unauthenticated, status.Code(err), "%v", err)
}

// atOnce is how many calls are under way.
const atOnce = 16

func (g *gatePlant) tryCalls(t *testing.T, holders []holder, all []papers) {
	methods := gateMethods()
	require.Greater(t, len(methods), 70)
	for _, p := range all {
		conns := map[string]*grpc.ClientConn{}
		for _, name := range planttest.Services() {
			conns[name] = g.dial(t, name, p)
		}
		var group errgroup.Group
		group.SetLimit(atOnce)
		for _, m := range methods {
			for _, h := range holders {
				if p.refused && h.name != "no token" && h.name != "all roles" {
					continue // it never comes to the token
				}
				group.Go(func() error {
					got, want := m.call(t.Context(), conns[m.service], h.header), gateWant(m.full, h, p)
					refused := got == codes.Unauthenticated || got == codes.PermissionDenied || p.refused && got == codes.Unavailable
					if got != want && (want != codes.OK || refused) {
						t.Errorf("%s, certificate: %s, token: %s: %s, want %s", m.full, p.name, h.name, got, want)
					}
					return nil
				})
			}
		}
		require.NoError(t, group.Wait())
	}
}

// tryServices: the certificate of each service opens what peers may call, at each service, and no other name does, however like one it is.
func (g *gatePlant) tryServices(t *testing.T) {
	for _, name := range append(planttest.Services(), "Intake", "INVENTORY", "intake ", "production.", "huskline", "administrator", "peer") {
		cert, key := g.authority.Issue(t, name)
		p := papers{name: name, pair: load(t, cert, key)}
		for _, service := range planttest.Services() {
			conn := g.dial(t, service, p)
			for _, m := range gateMethods() {
				if m.service != service || m.desc.Name() != "GetHead" && m.desc.Name() != "ListTokens" {
					continue
				}
				want := codes.Unauthenticated
				if slices.Contains(planttest.Services(), name) {
					want = allowedOr(m.desc.Name() == "GetHead", codes.PermissionDenied)
				}
				if got := m.call(t.Context(), conn, ""); got != want {
					t.Errorf("%s with the certificate of %q: %s, want %s", m.full, name, got, want)
				}
			}
		}
	}
}

// tryPaths calls what is nearly a method's path. GetHead takes an empty message, so a call that got through would be answered OK.
func (g *gatePlant) tryPaths(t *testing.T, holders []holder, all []papers) {
	const service, method = "huskline.intake.v1.IntakeService", "GetHead"
	paths := []string{
		service + "/" + method, "//" + service + "/" + method, "/" + service + "//" + method, "/" + service + "/" + method + "/",
		"/" + service + "/gethead", "/" + service + "/GETHEAD", "/" + strings.ToLower(service) + "/" + method, "/" + strings.ToUpper(service) + "/" + method,
		"/" + service + "/" + method + "%20", "/" + service + "/" + method + "?x=1", "/" + service + "/%47etHead", "/" + service + "." + method,
		"/./" + service + "/" + method, "/grpc.health.v1.Health/../" + service + "/" + method, "/grpc.health.v1.Health/" + method,
		"/" + service + "/" + method + "\x00", "/" + service, "/" + method, "/", "", method,
		"/huskline.inventory.v1.InventoryService/" + method, // of another service: not behind this door
		"/huskline.intake.v2.IntakeService/" + method, "/" + service + "/Nothing", "/grpc.reflection.v1.ServerReflection/ServerReflectionInfo",
		"/grpc.reflection.v1alpha.ServerReflection/ServerReflectionInfo", "/grpc.channelz.v1.Channelz/GetServers",
	}
	desc := intakev1.File_huskline_intake_v1_intake_proto.Services().Get(0).Methods().ByName(method)
	for _, p := range all[:3] {
		conn := g.dial(t, "intake", p)
		for _, h := range holders {
			if !slices.Contains([]string{"no token", "forged", "all roles", "weigh-post", "revoked administrator"}, h.name) {
				continue
			}
			for _, path := range paths {
				if code := (gateMethod{"intake", path, desc}).call(t.Context(), conn, h.header); code == codes.OK {
					t.Errorf("path %q, certificate: %s, token: %s: answered", path, p.name, h.name)
				}
			}
		}
	}
}

var pathParameter = regexp.MustCompile(`\{[^}]*\}`)

// jsonCall is a method's path over HTTP.
type jsonCall struct{ service, verb, path, full string }

// jsonCalls are all paths of the OpenAPI description.
func jsonCalls(t *testing.T) []jsonCall {
	t.Helper()
	var doc struct {
		Paths map[string]map[string]struct{ OperationID string }
	}
	require.NoError(t, json.Unmarshal(proto.OpenAPI, &doc))
	byOperation := map[string]gateMethod{}
	for _, m := range gateMethods() {
		byOperation[fmt.Sprintf("%s_%s", m.desc.Parent().Name(), m.desc.Name())] = m
	}
	var out []jsonCall
	for path, verbs := range doc.Paths {
		for verb, op := range verbs {
			m, ok := byOperation[op.OperationID]
			require.True(t, ok, op.OperationID)
			out = append(out, jsonCall{m.service, strings.ToUpper(verb), pathParameter.ReplaceAllString(path, "1"), m.full})
		}
	}
	return out
}

// tryJSON: behind the JSON door a certificate opens nothing; the token alone does.
func (g *gatePlant) tryJSON(t *testing.T, holders []holder, all []papers) {
	calls := jsonCalls(t)
	require.Greater(t, len(calls), 50)
	for _, p := range append([]papers{all[1]}, all[3:]...) {
		clients := map[string]*http.Client{}
		for _, name := range planttest.Services() {
			transport := &http.Transport{TLSClientConfig: g.tls(name, p), MaxIdleConnsPerHost: atOnce}
			t.Cleanup(transport.CloseIdleConnections)
			clients[name] = &http.Client{Transport: transport, Timeout: 20 * time.Second}
		}
		var group errgroup.Group
		group.SetLimit(atOnce)
		for _, c := range calls {
			for _, h := range holders {
				if p.refused && (h.name != "all roles" || !strings.HasSuffix(c.path, "/head")) || skippedInJSON(h) {
					continue
				}
				group.Go(func() error {
					got := g.askJSON(t, clients[c.service], c, h.header)
					want := map[codes.Code]int{codes.Unavailable: 0, codes.Unauthenticated: 401, codes.PermissionDenied: 403, codes.OK: http.StatusOK}[gateWant(c.full, h, papers{refused: p.refused})]
					if got != want && (want != http.StatusOK || got == 0 || got == 401 || got == 403) {
						t.Errorf("%s %s, certificate: %s, token: %s: %d, want %d", c.verb, c.path, p.name, h.name, got, want)
					}
					return nil
				})
			}
		}
		require.NoError(t, group.Wait())
	}
	g.tryJSONPaths(t, all[1])
}

// skippedInJSON: what is behind the JSON door is the chain that was tried already, so of what has ended one token of each kind is enough.
func skippedInJSON(h holder) bool {
	ended := strings.HasPrefix(h.name, "expired ") || strings.HasPrefix(h.name, "revoked ")
	return ended && !strings.HasSuffix(h.name, string(access.Administrator))
}

// askJSON gives the status of the answer; 0 where no connection came about.
func (g *gatePlant) askJSON(t *testing.T, client *http.Client, c jsonCall, authorization string) int {
	body := io.Reader(nil)
	if c.verb == http.MethodPost {
		body = strings.NewReader("{}")
	}
	req, err := http.NewRequestWithContext(t.Context(), c.verb, "https://"+g.http[c.service]+c.path, body)
	if err != nil {
		t.Errorf("%s %s: %v", c.verb, c.path, err)
		return 0
	}
	if authorization != "" {
		req.Header.Set("Authorization", authorization)
	}
	resp, err := client.Do(req)
	if err != nil {
		return 0
	}
	if resp.ContentLength >= 0 { // else it is a stream, which does not end by itself
		_, _ = io.Copy(io.Discard, resp.Body) // so that the connection is used again
	}
	_ = resp.Body.Close()
	return resp.StatusCode
}

// tryJSONPaths calls what is nearly a path, without a token but with a service's certificate.
func (g *gatePlant) tryJSONPaths(t *testing.T, p papers) {
	transport := &http.Transport{TLSClientConfig: g.tls("intake", p)}
	t.Cleanup(transport.CloseIdleConnections)
	client := &http.Client{Transport: transport, Timeout: 20 * time.Second}
	for _, path := range []string{
		"/v1/intake/head", "/v1/intake/head/", "//v1/intake/head", "/v1//intake/head", "/v1/./intake/head", "/v1/intake/../intake/head", "/V1/intake/head",
		"/v1/INTAKE/head", "/v1/intake/head%00", "/v1/intake%2fhead", "/metrics/../v1/intake/head", "/livez/../v1/intake/head", "/v1/inventory/head",
		"/huskline.intake.v1.IntakeService/GetHead", "/v1/huskline.intake.v1.IntakeService/GetHead", "/debug/pprof/", "/debug/vars",
	} {
		for _, verb := range []string{http.MethodGet, http.MethodPost, http.MethodPut, http.MethodPatch, http.MethodDelete, http.MethodHead, "get"} {
			if code := g.askJSON(t, client, jsonCall{"intake", verb, path, ""}, ""); code >= 200 && code < 300 {
				t.Errorf("%s %s without a token: %d", verb, path, code)
			}
		}
	}
}
