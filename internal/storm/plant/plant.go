package plant

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"huskline/internal/pgserver"
	"huskline/internal/planttest"
	"huskline/internal/postgres"
	"huskline/internal/storm/proxy"
)

// Services lists the three in the order of the flow.
func Services() []string { return planttest.Services() }

// Config says where a plant is made.
type Config struct {
	Dir     string // of its own; logs, certificates, clocks and, where it is a plain folder, the stores
	Program string // built with failpoints, see Build
}

// Build builds the program with its failpoints into a folder.
func Build(ctx context.Context, dir string) (string, error) { return planttest.Build(ctx, dir) }

// Plant is a running plant. It must be closed.
type Plant struct {
	Disk  *Disk
	CA    string // the authority's certificate, for callers
	Token string // of an administrator

	Doors map[string]*proxy.Proxy // from clients to a service
	Peers map[string]*proxy.Proxy // from a service to another: "intake>inventory"
	Bus   map[string]*proxy.Proxy // from a service to NATS
	Store map[string]*proxy.Proxy // from a service to Postgres

	dir, program string
	busAddr      string
	authority    *planttest.Authority
	services     map[string]*service

	mu       sync.Mutex
	bus      *process
	clusters []*cluster          // the first is there from the start
	moved    map[string]*cluster // of services whose database was moved to another cluster
	ends     []string
}

// Start makes a plant and waits until every service answers.
func Start(ctx context.Context, cfg Config) (*Plant, error) {
	p := &Plant{
		dir: cfg.Dir, program: cfg.Program, Token: strings.Repeat("5a", 32), services: map[string]*service{},
		Doors: map[string]*proxy.Proxy{}, Peers: map[string]*proxy.Proxy{}, Bus: map[string]*proxy.Proxy{}, Store: map[string]*proxy.Proxy{},
		moved: map[string]*cluster{},
	}
	if err := p.start(ctx); err != nil {
		return nil, errors.Join(err, p.Close())
	}
	return p, nil
}

func (p *Plant) start(ctx context.Context) error {
	var err error
	for _, dir := range []string{"logs", "tls"} {
		if err := os.MkdirAll(filepath.Join(p.dir, dir), 0o755); err != nil {
			return err
		}
	}
	if p.Disk, err = OpenDisk(p.dir); err != nil {
		return err
	}
	if p.busAddr, err = freePort(); err != nil {
		return err
	}
	p.clusters = []*cluster{{dir: filepath.Join(p.Disk.Dir, "pg")}}
	if err := errors.Join(p.StartPostgres(ctx), p.startBus(ctx)); err != nil {
		return err
	}
	for _, name := range Services() {
		addr, err := freePort()
		if err != nil {
			return err
		}
		p.services[name] = newService(p, name, addr)
	}
	if err := p.openProxies(); err != nil {
		return err
	}
	if err := p.provision(ctx); err != nil {
		return err
	}
	for _, s := range p.services {
		s.begin()
	}
	return p.AwaitReady(ctx)
}

// AwaitReady waits until every service answers.
func (p *Plant) AwaitReady(ctx context.Context) error {
	for _, name := range Services() {
		if err := p.services[name].awaitReady(ctx); err != nil {
			return err
		}
	}
	return nil
}

func (p *Plant) openProxies() error {
	open := func(into map[string]*proxy.Proxy, name, network, target string) error {
		x, err := proxy.Listen("tcp", "127.0.0.1:0", network, target)
		into[name] = x
		return err
	}
	for _, name := range Services() {
		errs := []error{
			open(p.Doors, name, "tcp", p.services[name].grpc),
			open(p.Bus, name, "tcp", p.busAddr),
			open(p.Store, name, "unix", socketOf(p.serverOf(p.clusters[0]))),
		}
		for _, other := range Services() {
			if other != name {
				errs = append(errs, open(p.Peers, name+">"+other, "tcp", p.services[other].grpc))
			}
		}
		if err := errors.Join(errs...); err != nil {
			return err
		}
	}
	return nil
}

// provision makes databases, certificates and the flags of each service.
func (p *Plant) provision(ctx context.Context) error {
	var err error
	if p.authority, err = planttest.MakeAuthority(filepath.Join(p.dir, "tls")); err != nil {
		return err
	}
	p.CA = p.authority.File
	secret := filepath.Join(p.dir, "tls", "admin-token")
	if err := os.WriteFile(secret, []byte(p.Token+"\n"), 0o600); err != nil {
		return err
	}
	for _, name := range Services() {
		owner, run, err := postgres.Provision(ctx, p.serverOf(p.clusters[0]).DSN("postgres", pgserver.Superuser), name)
		if err != nil {
			return err
		}
		if owner, err = throughProxy(owner, p.Store[name].Addr()); err != nil {
			return err
		}
		if run, err = throughProxy(run, p.Store[name].Addr()); err != nil {
			return err
		}
		cert, key, err := p.Certify(name, certified)
		if err != nil {
			return err
		}
		var peers []string
		for _, other := range Services() {
			if other != name {
				peers = append(peers, other+"="+p.Peers[name+">"+other].Addr())
			}
		}
		p.services[name].flags = []string{
			"serve", name, "--ca", p.CA, "--owner-dsn", owner, "--run-dsn", run, "--nats", "nats://" + p.Bus[name].Addr(),
			"--http", "127.0.0.1:0", "--peers", strings.Join(peers, ";"), "--cert", cert, "--key", key, "--admin-token-file", secret, "--log-level", "info",
		}
		if err := p.SetClock(name, 0); err != nil {
			return err
		}
	}
	return nil
}

// certified is for how long certificates are good; longer than a clock is put off.
const certified = 30 * 24 * time.Hour

// Certify gives a service a new certificate, in the place of the one before, and tells its files.
func (p *Plant) Certify(service string, life time.Duration) (cert, key string, err error) {
	return p.authority.MakeUntil(service, time.Now().Add(life))
}

// CertifyLong gives a service a certificate that outlasts every storm.
func (p *Plant) CertifyLong(service string) error {
	_, _, err := p.Certify(service, certified)
	return err
}

// Proxies are all proxies by a name that says from whom to whom, in a fixed order.
func (p *Plant) Proxies() (names []string, byName map[string]*proxy.Proxy) {
	byName = map[string]*proxy.Proxy{}
	for kind, some := range map[string]map[string]*proxy.Proxy{"client>": p.Doors, "": p.Peers, "nats<": p.Bus, "postgres<": p.Store} {
		for name, x := range some {
			byName[kind+name] = x
			names = append(names, kind+name)
		}
	}
	slices.Sort(names)
	return names, byName
}

// clockFile holds by how much a service's clock is off.
func (p *Plant) clockFile(service string) string { return filepath.Join(p.dir, "clock-"+service) }

// SetClock puts a service's clock off by a duration; no other clock of this machine is touched.
func (p *Plant) SetClock(service string, off time.Duration) error {
	path := p.clockFile(service)
	if err := os.WriteFile(path+".new", []byte(off.String()), 0o600); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}

// Addr is where clients reach a service: its door's proxy.
func (p *Plant) Addr(service string) string { return p.Doors[service].Addr() }

// Ends are the ends of processes that nothing had asked for, and since a previous call.
func (p *Plant) Ends() []string {
	p.mu.Lock()
	defer p.mu.Unlock()
	ends := p.ends
	p.ends = nil
	return ends
}

func (p *Plant) endedBadly(text string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ends = append(p.ends, text)
}

func (p *Plant) log(name string) string { return filepath.Join(p.dir, "logs", name+".log") }

// Logs is the folder of what all processes said.
func (p *Plant) Logs() string { return filepath.Join(p.dir, "logs") }

// Close stops everything and, where the disk is a file system of its own, unmounts it; its image stays.
func (p *Plant) Close() error {
	for _, s := range p.services {
		s.finish()
	}
	for _, some := range []map[string]*proxy.Proxy{p.Doors, p.Peers, p.Bus, p.Store} {
		for _, x := range some {
			if x != nil {
				_ = x.Close()
			}
		}
	}
	p.busProcess().kill()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	var err error
	for _, c := range p.clusters {
		if c.server != nil {
			err = errors.Join(err, c.server.Stop(ctx))
		}
	}
	if p.Disk != nil && p.Disk.Absent == nil {
		err = errors.Join(err, p.Disk.Unmount())
	}
	return err
}

// freePort is an address that nobody listens on now.
func freePort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		return "", fmt.Errorf("find a free port: %w", err)
	}
	return addr, nil
}
