package launch

import (
	"crypto/tls"
	"fmt"
	"os"
	"sync"
	"time"
)

// certificate is a service's own certificate in its two files. They are read again at the handshake after they changed, so that a new one is put in place
// of one that runs out while the service runs. Where the two do not fit, as between the writing of one and the other, the pair before stands.
type certificate struct {
	certFile, keyFile string

	mu     sync.Mutex
	pair   *tls.Certificate
	stamps [2]time.Time // of the files that pair was read from
}

func loadCertificate(certFile, keyFile string) (*certificate, error) {
	c := &certificate{certFile: certFile, keyFile: keyFile}
	stamps, err := c.look()
	if err == nil {
		err = c.read(stamps)
	}
	if err != nil {
		return nil, fmt.Errorf("certificate %s: %w", certFile, err)
	}
	return c, nil
}

// look is when the files were last written.
func (c *certificate) look() (stamps [2]time.Time, err error) {
	for i, file := range []string{c.certFile, c.keyFile} {
		info, err := os.Stat(file)
		if err != nil {
			return stamps, err
		}
		stamps[i] = info.ModTime()
	}
	return stamps, nil
}

func (c *certificate) read(stamps [2]time.Time) error {
	pair, err := tls.LoadX509KeyPair(c.certFile, c.keyFile)
	if err != nil {
		return err
	}
	c.pair, c.stamps = &pair, stamps
	return nil
}

// current is the pair to show now.
func (c *certificate) current() *tls.Certificate {
	c.mu.Lock()
	defer c.mu.Unlock()
	if stamps, err := c.look(); err == nil && stamps != c.stamps {
		_ = c.read(stamps) // else what is there stands
	}
	return c.pair
}

// forClients shows it to those who call.
func (c *certificate) forClients(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	return c.current(), nil
}

// forServers shows it to those who are called.
func (c *certificate) forServers(*tls.CertificateRequestInfo) (*tls.Certificate, error) {
	return c.current(), nil
}
