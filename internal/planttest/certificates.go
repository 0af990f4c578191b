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

// Authority signs certificates for the services of one test.
type Authority struct {
	File string // its own certificate
	dir  string
	cert *x509.Certificate
	key  *ecdsa.PrivateKey
}

// NewAuthority makes an authority of its own, with its files in a folder of the test.
func NewAuthority(t testing.TB) *Authority {
	t.Helper()
	a := &Authority{dir: t.TempDir()}
	template := template(t, "huskline test plant")
	template.IsCA, template.BasicConstraintsValid, template.KeyUsage = true, true, x509.KeyUsageCertSign
	var der []byte
	a.key, der = sign(t, template, nil, nil)
	var err error
	if a.cert, err = x509.ParseCertificate(der); err != nil {
		t.Fatal(err)
	}
	a.File = writePEM(t, filepath.Join(a.dir, "ca.pem"), "CERTIFICATE", der)
	return a
}

// Issue makes a certificate whose name is the service's, which is its identity for the others.
func (a *Authority) Issue(t testing.TB, name string) (cert, key string) {
	t.Helper()
	return a.issue(t, template(t, name), name)
}

// IssueExpired makes a certificate that was good until a minute ago.
func (a *Authority) IssueExpired(t testing.TB, name string) (cert, key string) {
	t.Helper()
	old := template(t, name)
	old.NotAfter = time.Now().Add(-time.Minute)
	return a.issue(t, old, name+"-expired")
}

func (a *Authority) issue(t testing.TB, template *x509.Certificate, file string) (cert, key string) {
	t.Helper()
	name := template.Subject.CommonName
	template.DNSNames, template.IPAddresses = []string{name, "localhost"}, []net.IP{net.IPv4(127, 0, 0, 1)}
	template.KeyUsage = x509.KeyUsageDigitalSignature
	template.ExtKeyUsage = []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth}
	private, der := sign(t, template, a.cert, a.key)
	pkcs8, err := x509.MarshalPKCS8PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	return writePEM(t, filepath.Join(a.dir, file+".pem"), "CERTIFICATE", der), writePEM(t, filepath.Join(a.dir, file+".key"), "PRIVATE KEY", pkcs8)
}

func template(t testing.TB, name string) *x509.Certificate {
	t.Helper()
	serial, err := rand.Int(rand.Reader, big.NewInt(1<<62))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	return &x509.Certificate{SerialNumber: serial, Subject: pkix.Name{CommonName: name}, NotBefore: now.Add(-time.Hour), NotAfter: now.Add(24 * time.Hour)}
}

// sign signs with the parent's key, or with the new one where there is no parent.
func sign(t testing.TB, template, parent *x509.Certificate, parentKey *ecdsa.PrivateKey) (*ecdsa.PrivateKey, []byte) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	if parent == nil {
		parent, parentKey = template, key
	}
	der, err := x509.CreateCertificate(rand.Reader, template, parent, &key.PublicKey, parentKey)
	if err != nil {
		t.Fatal(err)
	}
	return key, der
}

func writePEM(t testing.TB, path, kind string, der []byte) string {
	t.Helper()
	if err := os.WriteFile(path, pem.EncodeToMemory(&pem.Block{Type: kind, Bytes: der}), 0o600); err != nil {
		t.Fatal(err)
	}
	return path
}
