package planttest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Authority signs certificates for the services of one plant.
type Authority struct {
	File string // its own certificate
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// NewAuthority makes an authority of its own, with its files in a folder of the test.
func NewAuthority(t testing.TB) *Authority {
	t.Helper()
	a, err := MakeAuthority(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// MakeAuthority makes an authority of its own with its files in a folder.
func MakeAuthority(dir string) (*Authority, error) {
	a := &Authority{dir: dir}
	template, err := template("huskline test plant")
	if err != nil {
		return nil, err
	}
	template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
	key, der, err := sign(template, nil, nil)
	if err != nil {
		return nil, err
	}
	a.key = key
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		return nil, err
	}
	a.File, err = writePEM(filepath.Join(a.dir, "ca.pem"), "CERTIFICATE", der)
	return a, err
}

// Issue makes a certificate whose name is the service's, which is its identity for the others.
func (a *Authority) Issue(t testing.TB, name string) (cert, key string) {
	t.Helper()
	cert, key, err := a.Make(name)
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

// IssueExpired makes a certificate that was good until a minute ago.
func (a *Authority) IssueExpired(t testing.TB, name string) (cert, key string) {
	t.Helper()
	cert, key, err := a.make(name, name+"-expired", time.Now().Add(-time.Minute))
	if err != nil {
		t.Fatal(err)
	}
	return cert, key
}

// Make is Issue outside of a test.
func (a *Authority) Make(name string) (cert, key string, err error) {
	return a.make(name, name, time.Now().Add(24*time.Hour))
}

// MakeUntil is Make for a certificate that runs out at a moment.
func (a *Authority) MakeUntil(name string, until time.Time) (cert, key string, err error) {
	return a.make(name, name, until)
}

func (a *Authority) make(name, file string, until time.Time) (cert, key string, err error) {
	template, err := template(name)
	if err != nil {
		return "", "", err
	}
	template.NotAfter = until
	template.DNSNames, template.IPAddresses = []string{name, "localhost"}, []net.IP{net.IPv4(127, 0, 0, 1)}
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}
	private, der, err := sign(template, a.cert, a.key)
	if err != nil {
		return "", "", err
	}
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		return "", "", err
	}
	if cert, err = writePEM(filepath.Join(a.dir, file+".pem"), "CERTIFICATE", der); err != nil {
		return "", "", err
	}
	key, err = writePEM(filepath.Join(a.dir, file+".key"), "PRIVATE KEY", pkcs8)
	return cert, key, err
}

func template(name string) (*x509.Certificate, error) {
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		return nil, err
	}
	now := time.Now()
	return &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: name}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour)}, nil
}

// sign signs with the parent's key, or with the new one where there is no parent.
func sign(template, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*ecdsa.PrivateKey, []byte, error) {
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		return nil, nil, err
	}
	if parent == nil {
		parent, parentKey = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, parentKey)
	return key, der, err
}

func writePEM(path, kind string, der []byte) (string, error) {
	return path, os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600)
}
