package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"strings"
	"syscall"

	"google.golang.org/grpc"

	"huskline/internal/fault"
	"huskline/internal/rpc"
	intakev1 "huskline/proto/huskline/intake/v1"
	inventoryv1 "huskline/proto/huskline/inventory/v1"
	productionv1 "huskline/proto/huskline/production/v1"
	"huskline/services/huskline/internal/launch"
)

// plant is the three services as a caller sees them.
type plant struct {
	intake     intakev1.IntakeServiceClient
	visits     intakev1.VisitServiceClient
	inventory  inventoryv1.InventoryServiceClient
	production productionv1.ProductionServiceClient
	conns      []*grpc.ClientConn
}

// target is where a plant is and who asks.
type target struct{ addr, token, ca string }

// target is what the command line says, or the data folder as it is now.
func (s *session) target() (target, error) {
	t := target{s.cli.Addr, s.cli.Token, s.cli.CA}
	switch {
	case t.addr != "" && s.cli.Data != "":
		return t, usageError{errors.New("--data and --addr exclude each other: one names a data folder, the other an address")}
	case s.cli.Data != "":
		e, err := launch.ReadEndpoint(s.cli.Data)
		if err != nil {
			return t, err
		}
		t.addr = e.GRPC
		if t.token == "" {
			t.token = e.Token
		}
	case t.addr == "":
		return t, usageError{errors.New("which plant? give --data DIR, or --addr ADDR and --token TOKEN")}
	}
	return t, nil
}

// dial connects to a running plant: by its data folder, or by address and token.
func (s *session) dial() (*plant, error) {
	t, err := s.target()
	if err != nil {
		return nil, err
	}
	if s.cli.Data != "" && refused(s.ctx, t.addr) {
		return nil, launch.NotRunning(s.cli.Data) // a killed plant leaves its address behind
	}
	return dialTarget(t)
}

// refused tells whether nobody listens on an address of this machine.
func refused(ctx context.Context, addr string) bool {
	conn, err := new(net.Dialer).DialContext(ctx, "tcp", addr)
	if err == nil {
		_ = conn.Close()
	}
	return errors.Is(err, syscall.ECONNREFUSED)
}

func dialTarget(t target) (_ *plant, err error) {
	var secure *tls.Config
	if t.ca != "" {
		if secure, err = callerTLS(t.ca); err != nil {
			return nil, err
		}
	}
	addrs, err := parseAddr(t.addr)
	if err != nil {
		return nil, err
	}
	return dialPlant(addrs, t.token, secure)
}

func callerTLS(ca string) (*tls.Config, error) {
	pem, err := os.ReadFile(ca)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(pem) {
		return nil, fault.Invalid("tls_ca", "certificate authority %s: holds no PEM certificate", ca)
	}
	return &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: pool}, nil
}

// serviceNames are the services in the order of the flow.
func serviceNames() []string { return []string{"intake", "inventory", "production"} }

// parseAddr reads one address for all, or intake=…,inventory=…,production=….
func parseAddr(text string) (map[string]string, error) {
	out := map[string]string{}
	if !strings.Contains(text, "=") {
		for _, name := range serviceNames() {
			out[name] = text
		}
		return out, nil
	}
	for _, part := range strings.Split(text, ",") {
		name, addr, _ := strings.Cut(part, "=")
		out[strings.TrimSpace(name)] = strings.TrimSpace(addr)
	}
	for _, name := range serviceNames() {
		if out[name] == "" {
			return nil, usageError{fmt.Errorf("--addr %q: %s has no address; it reads intake=ADDR,inventory=ADDR,production=ADDR", text, name)}
		}
	}
	if len(out) != len(serviceNames()) {
		return nil, usageError{fmt.Errorf("--addr %q: names another service than intake, inventory and production", text)}
	}
	return out, nil
}

func dialPlant(addrs map[string]string, token string, secure *tls.Config) (*plant, error) {
	p := &plant{}
	byAddr := map[string]*grpc.ClientConn{}
	get := func(name string) (*grpc.ClientConn, error) {
		key := addrs[name]
		config := secure
		if secure != nil {
			config = secure.Clone()
			config.ServerName = name
			key = name + "=" + key
		}
		if conn, ok := byAddr[key]; ok {
			return conn, nil
		}
		conn, err := rpc.Dial(rpc.DialConfig{Target: addrs[name], Token: token, TLS: config})
		if err != nil {
			return nil, fmt.Errorf("connect to %s: %w", addrs[name], err)
		}
		byAddr[key] = conn
		p.conns = append(p.conns, conn)
		return conn, nil
	}
	for _, name := range serviceNames() {
		conn, err := get(name)
		if err != nil {
			p.close()
			return nil, err
		}
		switch name {
		case "intake":
			p.intake, p.visits = intakev1.NewIntakeServiceClient(conn), intakev1.NewVisitServiceClient(conn)
		case "inventory":
			p.inventory = inventoryv1.NewInventoryServiceClient(conn)
		case "production":
			p.production = productionv1.NewProductionServiceClient(conn)
		}
	}
	return p, nil
}

func (p *plant) close() {
	for _, c := range p.conns {
		_ = c.Close()
	}
}
