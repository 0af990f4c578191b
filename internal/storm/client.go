package storm

import (
	"context"
	"crypto/tls"
	"fmt"
	"math/rand/v2"
	"net"
	"slices"
	"strings"
	"time"

	"huskline/internal/storm/plant"
)

// clientFaults are callers who behave badly.
func clientFaults() []Fault {
	bad := func(name string, inject func(context.Context, *Storm, *rand.Rand) error) Fault {
		return Fault{Name: name, Holds: "the others are served, nothing restarts", Inject: func(ctx context.Context, s *Storm, rng *rand.Rand) error {
			return s.besides(ctx, name, func(ctx context.Context) error { return inject(ctx, s, rng) })
		}}
	}
	return []Fault{
		bad("clients that connect and say nothing", func(ctx context.Context, s *Storm, _ *rand.Rand) error {
			return s.connect(ctx, 150, func(c net.Conn) {})
		}),
		bad("clients that say one byte at a time", func(ctx context.Context, s *Storm, _ *rand.Rand) error {
			return s.connect(ctx, 40, func(c net.Conn) {
				secure := tls.Client(c, &tls.Config{InsecureSkipVerify: true, NextProtos: []string{"h2"}})
				if secure.HandshakeContext(ctx) != nil {
					return
				}
				for _, b := range []byte("PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n") {
					if _, err := secure.Write([]byte{b}); err != nil || !sleep(ctx, 50*time.Millisecond) {
						return
					}
				}
			})
		}),
		quick(bad("clients that reset", func(ctx context.Context, s *Storm, rng *rand.Rand) error {
			s.clients.Streams(ctx, 500)
			return s.connect(ctx, 150, func(c net.Conn) {
				rubbish := make([]byte, rng.IntN(200))
				_, _ = c.Write(rubbish)
				if t, ok := c.(*net.TCPConn); ok {
					_ = t.SetLinger(0)
				}
				_ = c.Close()
			})
		})),
		bad("clients that send too much", func(ctx context.Context, s *Storm, _ *rand.Rand) error {
			for _, name := range plant.Services() {
				if err := s.longHeader(ctx, name); err != nil {
					return err
				}
			}
			return s.clients.TooMuch(ctx)
		}),
	}
}

// besides measures how long small reads of others take before and while something goes on.
func (s *Storm) besides(ctx context.Context, name string, do func(context.Context) error) error {
	before, err := s.reads(ctx, nil)
	if err != nil {
		return err
	}
	ended := make(chan struct{})
	result := make(chan error, 1)
	go func() {
		defer close(ended)
		result <- do(ctx)
	}()
	during, err := s.reads(ctx, ended)
	if e := <-result; e != nil {
		return e
	}
	if err != nil {
		return fmt.Errorf("others are not served: %w", err)
	}
	s.measure("%s: a small read of others takes %v at p99, %v before", name, percentile(during, 99), percentile(before, 99))
	return nil
}

// reads reads again and again, a hundred times or until ended, and returns how long each took.
func (s *Storm) reads(ctx context.Context, ended <-chan struct{}) ([]time.Duration, error) {
	var took []time.Duration
	for {
		d, err := s.clients.Reading(ctx)
		if err != nil {
			return nil, err
		}
		took = append(took, d)
		if ended == nil && len(took) >= 100 {
			return took, nil
		}
		select {
		case <-ended:
			if len(took) >= 100 {
				return took, nil
			}
		default:
		}
	}
}

func percentile(all []time.Duration, p int) time.Duration {
	slices.Sort(all)
	return all[(len(all)-1)*p/100].Round(10 * time.Microsecond)
}

// connect opens so many connections to every door at once, does something on each, and leaves them open for three seconds.
func (s *Storm) connect(ctx context.Context, n int, do func(net.Conn)) error {
	var conns []net.Conn
	defer func() {
		for _, c := range conns {
			_ = c.Close()
		}
	}()
	for _, name := range plant.Services() {
		for _, addr := range []string{s.Plant.GRPC(name), s.Plant.HTTP(name)} {
			for range n {
				c, err := net.DialTimeout("tcp", addr, 3*time.Second)
				if err != nil {
					continue // a door may refuse: that is its right
				}
				conns = append(conns, c)
				go do(c)
			}
		}
	}
	sleep(ctx, 3*time.Second)
	return nil
}

// longHeader sends a header over every limit to the JSON door.
func (s *Storm) longHeader(ctx context.Context, name string) error {
	d := tls.Dialer{Config: &tls.Config{InsecureSkipVerify: true}}
	c, err := d.DialContext(ctx, "tcp", s.Plant.HTTP(name))
	if err != nil {
		return err
	}
	defer func() { _ = c.Close() }()
	_ = c.SetDeadline(time.Now().Add(10 * time.Second))
	_, _ = fmt.Fprintf(c, "GET /livez HTTP/1.1\r\nHost: %s\r\nX: %s\r\n\r\n", name, strings.Repeat("x", 1<<20))
	answer := make([]byte, 64)
	n, _ := c.Read(answer)
	if strings.Contains(string(answer[:n]), " 200 ") {
		return fmt.Errorf("%s took a header of 1 MiB: %s", name, answer[:n])
	}
	return nil
}
