package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"slices"
	"strings"
	"time"

	"huskline/internal/lot"
	"huskline/services/huskline/internal/launch"
)

type serveCmd struct {
	Service      string            `arg:"" enum:"intake,inventory,production" help:"intake, inventory or production."`
	OwnerDSN     string            `required:"" env:"HUSKLINE_OWNER_DSN" help:"Postgres as the role that owns the service's database; runs migrations." placeholder:"URL"`
	RunDSN       string            `required:"" env:"HUSKLINE_RUN_DSN" help:"Postgres as the role the service serves with." placeholder:"URL"`
	NATS         string            `name:"nats" env:"HUSKLINE_NATS" default:"nats://127.0.0.1:4222" help:"Address of NATS." placeholder:"URL"`
	NATSUser     string            `name:"nats-user" env:"HUSKLINE_NATS_USER" help:"User at NATS."`
	NATSPassFile string            `name:"nats-password-file" env:"HUSKLINE_NATS_PASSWORD_FILE" type:"path" help:"File with the password at NATS."`
	PassFile     string            `name:"password-file" env:"HUSKLINE_PASSWORD_FILE" type:"path" help:"File with the Postgres password of both roles, where the DSNs have none."`
	GRPC         string            `name:"grpc" env:"HUSKLINE_GRPC" default:":7400" help:"Address of the gRPC door." placeholder:"ADDR"`
	HTTP         string            `name:"http" env:"HUSKLINE_HTTP" default:":7401" help:"Address of the JSON door, health and metrics." placeholder:"ADDR"`
	Peers        map[string]string `required:"" env:"HUSKLINE_PEERS" help:"Addresses of the other two services." placeholder:"intake=ADDR;production=ADDR"`
	Cert         string            `required:"" env:"HUSKLINE_CERT" type:"path" help:"This service's certificate; its name is the service's." placeholder:"FILE"`
	Key          string            `required:"" env:"HUSKLINE_KEY" type:"path" help:"Key of the certificate." placeholder:"FILE"`
	MQTT         string            `name:"mqtt" env:"HUSKLINE_MQTT" help:"Of intake: address where devices publish readings by MQTT 3.1.1, with TLS under the service's certificate; none unless given. A device's password is a token with the role weigh-post." placeholder:"ADDR"`
	MQTTDir      string            `name:"mqtt-dir" env:"HUSKLINE_MQTT_DIR" type:"path" help:"Folder that keeps what devices published until it is stored." placeholder:"DIR"`
	AdminFile    string            `name:"admin-token-file" env:"HUSKLINE_ADMIN_TOKEN_FILE" type:"path" help:"File with a secret that is registered as an administrator at the start." placeholder:"FILE"`
	Probe        bool              `help:"Ask a running service of this name on this machine whether it is ready, and exit; for health checks."`
	LogLevel     string            `help:"debug, info, warn or error." default:"info" enum:"debug,info,warn,error" env:"HUSKLINE_LOG"`
	Traces       string            `help:"OTLP endpoint for traces; empty: none." env:"HUSKLINE_TRACES" placeholder:"ADDR"`
}

// Run serves one service until SIGTERM or ctrl-C.
func (c *serveCmd) Run(s *session) error {
	if c.Probe {
		return c.probe(s)
	}
	cfg := launch.ServeConfig{
		Service: c.Service, OwnerDSN: c.OwnerDSN, RunDSN: c.RunDSN, NATS: c.NATS, NATSUser: c.NATSUser, GRPC: c.GRPC, HTTP: c.HTTP,
		Peers: map[lot.Producer]string{}, Cert: c.Cert, Key: c.Key, CA: s.cli.CA, Now: s.now, Logger: s.logger(c.LogLevel), Endpoint: c.Traces,
	}
	for name, addr := range c.Peers {
		if name == c.Service || !slices.Contains(serviceNames(), name) {
			return usageError{fmt.Errorf("--peers: %q is not another service than %s; there are intake, inventory and production", name, c.Service)}
		}
		cfg.Peers[lot.Producer(name)] = addr
	}
	if len(cfg.Peers) != 2 {
		return usageError{fmt.Errorf("--peers: both other services are asked for, such as intake=HOST:7400;production=HOST:7400")}
	}
	if c.MQTT != "" && (c.Service != string(lot.Intake) || c.MQTTDir == "") {
		return usageError{fmt.Errorf("--mqtt: devices publish to intake alone, and --mqtt-dir DIR names the folder that keeps what they publish")}
	}
	cfg.MQTT = launch.DevicesConfig{Addr: c.MQTT, Dir: c.MQTTDir, Cert: c.Cert, Key: c.Key, CA: s.cli.CA}
	var err error
	if cfg.NATSPassword, err = secretFile(c.NATSPassFile); err != nil {
		return err
	}
	if cfg.AdminToken, err = secretFile(c.AdminFile); err != nil {
		return err
	}
	if cfg.Password, err = secretFile(c.PassFile); err != nil {
		return err
	}
	return launch.Serve(s.ctx, cfg, func(at launch.Bound) {
		if at.MQTT != "" {
			fmt.Fprintf(s.out, "mqtt=%s\n", at.MQTT)
		}
		fmt.Fprintf(s.out, "ready grpc=%s http=%s\n", at.GRPC, at.HTTP)
	})
}

// probe asks the service's readiness over HTTPS, as a health check does.
func (c *serveCmd) probe(s *session) error {
	secure, err := callerTLS(s.cli.CA)
	if err != nil {
		return err
	}
	secure.ServerName = c.Service
	_, port, err := net.SplitHostPort(c.HTTP)
	if err != nil {
		return usageError{fmt.Errorf("--http %q: %w", c.HTTP, err)}
	}
	ctx, cancel := context.WithTimeout(s.ctx, 3*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "https://127.0.0.1:"+port+"/readyz", nil)
	if err != nil {
		return err
	}
	answer, err := (&http.Client{Transport: &http.Transport{TLSClientConfig: secure}}).Do(req)
	if err != nil {
		return err
	}
	defer func() { _ = answer.Body.Close() }()
	body, err := io.ReadAll(io.LimitReader(answer.Body, 4096))
	if err != nil {
		return err
	}
	if answer.StatusCode != http.StatusOK {
		return fmt.Errorf("%s is not ready: %s", c.Service, body)
	}
	_, err = s.out.Write(body)
	return err
}

// secretFile reads a secret from a file, without its line end; no file, no secret.
func secretFile(path string) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := os.ReadFile(path)
	return strings.TrimRight(string(data), "\r\n"), err
}
