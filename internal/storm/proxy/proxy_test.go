package proxy_test

import (
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/storm/proxy"
)

// echo answers everything with itself.
func echo(t *testing.T) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	t.Cleanup(func() { _ = l.Close() })
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(c, c)
				_ = c.Close()
			}()
		}
	}()
	return l.Addr().String()
}

// say sends a text through the proxy and returns what comes back within the time.
func say(t *testing.T, p *proxy.Proxy, text string, within time.Duration) string {
	t.Helper()
	c, err := net.Dial("tcp", p.Addr())
	require.NoError(t, err)
	defer func() { _ = c.Close() }()
	_, _ = c.Write([]byte(text))
	_ = c.SetReadDeadline(time.Now().Add(within))
	var out strings.Builder
	buf := make([]byte, 1<<10)
	for out.Len() < len(text) {
		n, err := c.Read(buf)
		out.Write(buf[:n])
		if err != nil {
			break
		}
	}
	return out.String()
}

// TestSpoil catches a proxy that lets pass what it should spoil, or spoils on once it is healed.
func TestSpoil(t *testing.T) {
	t.Parallel()
	text := strings.Repeat("kernel ", 20)
	const soon, long = 100 * time.Millisecond, 20 * time.Second
	for _, tt := range []struct {
		name   string
		spoil  proxy.Spoil
		within time.Duration
		want   string
	}{
		{"nothing", proxy.Spoil{}, long, text},
		{"refuse", proxy.Spoil{Refuse: true}, long, ""},
		{"requests lost", proxy.Spoil{LoseUp: true}, soon, ""},
		{"replies lost", proxy.Spoil{LoseDown: true}, soon, ""},
		{"slices", proxy.Spoil{Slice: true}, long, text},
		{"delay", proxy.Spoil{Delay: 10 * time.Millisecond}, long, text},
		{"reset", proxy.Spoil{ResetAfter: 30}, long, text[:30]},
	} {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			p, err := proxy.Listen("tcp", "127.0.0.1:0", "tcp", echo(t))
			require.NoError(t, err)
			p.Set(tt.spoil)
			if got := say(t, p, text, tt.within); got != tt.want {
				t.Errorf("%+v: got %q, want %q", tt.spoil, got, tt.want)
			}
			p.Set(proxy.Spoil{})
			if got := say(t, p, text, long); got != text {
				t.Errorf("healed: got %q, want %q", got, text)
			}
			require.NoError(t, p.Close())
		})
	}
}

// TestLost catches a proxy that, once healed, passes the rest of a stream of which a part was lost: no line loses from its middle.
func TestLost(t *testing.T) {
	t.Parallel()
	p, err := proxy.Listen("tcp", "127.0.0.1:0", "tcp", echo(t))
	require.NoError(t, err)
	c, err := net.Dial("tcp", p.Addr())
	require.NoError(t, err)
	_, err = c.Write([]byte("a"))
	require.NoError(t, err)
	_, err = io.ReadFull(c, make([]byte, 1))
	require.NoError(t, err)
	p.Set(proxy.Spoil{LoseUp: true})
	_, err = c.Write([]byte("lost"))
	require.NoError(t, err)
	p.Set(proxy.Spoil{})
	_ = c.SetReadDeadline(time.Now().Add(20 * time.Second))
	if n, err := c.Read(make([]byte, 8)); err == nil {
		t.Errorf("%d bytes came on a line that had lost some", n)
	}
	require.NoError(t, p.Close())
}
