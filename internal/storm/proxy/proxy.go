// Package proxy stands between two parties of a plant and spoils what passes: partitions, lost directions, delays, slices, resets, lost replies.
//
//	p, err := proxy.Listen("tcp", "127.0.0.1:0", "unix", socket)
//	p.Set(proxy.Spoil{LoseDown: true}) // answers vanish, requests arrive
//	p.Set(proxy.Spoil{})               // healed
//
// It knows no protocol, so that it serves for gRPC, NATS and Postgres alike, with TLS or without.
package proxy

import (
	"errors"
	"io"
	"net"
	"sync"
	"time"
)

// Spoil is what happens to what passes. The zero value lets all pass. Up is towards the server, down towards the client.
type Spoil struct {
	Refuse   bool          // new connections are closed at once, open ones are cut
	LoseUp   bool          // requests vanish, the connection stays open
	LoseDown bool          // replies vanish, the connection stays open
	Delay    time.Duration // of each read, both ways
	Slice    bool          // bytes pass one at a time
	Wait     bool          // a new connection waits for a target that is not there yet, as long as one may be dialled
	// ResetAfter cuts a connection, in the middle of whatever passes, when so many bytes have come down since the spoil was set; 0: never.
	ResetAfter int64
}

// Proxy is a listener with what it does to its connections. It must be closed.
type Proxy struct {
	listener        net.Listener
	network, target string

	mu      sync.Mutex
	spoil   Spoil
	changed chan struct{} // closed and replaced when spoil changes
	down    int64         // bytes since the spoil was set
	conns   map[net.Conn]bool
	running sync.WaitGroup
}

// Listen starts a proxy at an address to a target.
func Listen(network, addr, targetNetwork, target string) (*Proxy, error) {
	l, err := net.Listen(network, addr)
	if err != nil {
		return nil, err
	}
	p := &Proxy{listener: l, network: targetNetwork, target: target, changed: make(chan struct{}), conns: map[net.Conn]bool{}}
	p.running.Go(p.accept)
	return p, nil
}

// Addr is where the proxy listens.
func (p *Proxy) Addr() string { return p.listener.Addr().String() }

// Retarget changes where new connections go.
func (p *Proxy) Retarget(target string) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.target = target
}

// Set changes what happens from now on, also to open connections. Those that had lost something are cut: what was lost of a stream never lets the
// rest of it pass.
func (p *Proxy) Set(s Spoil) {
	p.mu.Lock()
	defer p.mu.Unlock()
	lost := p.spoil.LoseUp || p.spoil.LoseDown
	p.spoil, p.down = s, 0
	close(p.changed)
	p.changed = make(chan struct{})
	if s.Refuse || lost {
		p.cut()
	}
}

// Cut closes all open connections; new ones are taken.
func (p *Proxy) Cut() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.cut()
}

func (p *Proxy) cut() {
	for c := range p.conns {
		_ = c.Close()
	}
}

// Close ends the proxy and all that passes through it.
func (p *Proxy) Close() error {
	err := p.listener.Close()
	p.Cut()
	p.running.Wait()
	return err
}

func (p *Proxy) now() (Spoil, string, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.spoil, p.target, p.changed
}

func (p *Proxy) accept() {
	for {
		c, err := p.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil {
			time.Sleep(10 * time.Millisecond) // out of descriptors, for one: the next try may find some
			continue
		}
		p.running.Go(func() { p.carry(c) })
	}
}

const dialLimit = 3 * time.Second

// dial connects to the target; where that is to be waited for, again and again.
func (p *Proxy) dial(target string) (net.Conn, error) {
	for end := time.Now().Add(dialLimit); ; {
		c, err := net.DialTimeout(p.network, target, dialLimit)
		spoil, _, _ := p.now()
		if err == nil || !spoil.Wait || spoil.Refuse || time.Now().After(end) {
			return c, err
		}
		time.Sleep(10 * time.Millisecond)
	}
}

func (p *Proxy) carry(client net.Conn) {
	defer func() { _ = client.Close() }()
	spoil, target, _ := p.now()
	if spoil.Refuse {
		return
	}
	server, err := p.dial(target)
	if err != nil {
		return
	}
	defer func() { _ = server.Close() }()
	p.mu.Lock()
	p.conns[client], p.conns[server] = true, true
	refused := p.spoil.Refuse
	p.mu.Unlock()
	defer func() {
		p.mu.Lock()
		delete(p.conns, client)
		delete(p.conns, server)
		p.mu.Unlock()
	}()
	if refused {
		return
	}
	var both sync.WaitGroup
	end := func() { _, _ = client.Close(), server.Close() }
	both.Go(func() { defer end(); p.pass(server, client, true) })
	both.Go(func() { defer end(); p.pass(client, server, false) })
	both.Wait()
}

// pass copies one way until either side ends. What is lost is read and forgotten, as on a line that is dead in one direction.
func (p *Proxy) pass(to io.Writer, from io.Reader, up bool) {
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		if n > 0 && !p.give(to, buf[:n], up) {
			return
		}
		if err != nil {
			return
		}
	}
}

// give passes bytes on as the present spoil says; false ends the connection.
func (p *Proxy) give(to io.Writer, b []byte, up bool) bool {
	spoil, _, changed := p.now()
	if spoil.Delay > 0 {
		timer := time.NewTimer(spoil.Delay)
		select {
		case <-timer.C:
		case <-changed:
			timer.Stop()
		}
		spoil, _, _ = p.now()
	}
	if up && spoil.LoseUp || !up && spoil.LoseDown {
		return true
	}
	if !up && spoil.ResetAfter > 0 {
		room, over := p.room(int64(len(b)))
		if over {
			_, _ = to.Write(b[:room])
			return false
		}
	}
	if !spoil.Slice {
		_, err := to.Write(b)
		return err == nil
	}
	for i := range b {
		if _, err := to.Write(b[i : i+1]); err != nil {
			return false
		}
	}
	return true
}

// room is how many of n bytes may still come down; over: fewer than n, and the count begins anew for the next connection.
func (p *Proxy) room(n int64) (room int64, over bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.spoil.ResetAfter <= 0 || p.down+n <= p.spoil.ResetAfter {
		p.down += n
		return n, false
	}
	room = p.spoil.ResetAfter - p.down
	p.down = 0
	return room, true
}
