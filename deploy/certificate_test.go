package deploy

import (
	"crypto/tls"
	"crypto/x509"
	"debug/elf"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

// checkCertificate verifies a service's certificate for both ends of a connection.
func checkCertificate(t *testing.T, dir, name string) {
	t.Helper()
	authority, err := os.ReadFile(filepath.Join(dir, "ca.pem"))
	require.NoError(t, err)
	pool := x509.NewCertPool()
	require.True(t, pool.AppendCertsFromPEM(authority))
	pair, err := tls.LoadX509KeyPair(filepath.Join(dir, name+".pem"), filepath.Join(dir, name+".key"))
	require.NoError(t, err)
	leaf, err := x509.ParseCertificate(pair.Certificate[0])
	require.NoError(t, err)
	require.Equal(t, name, leaf.Subject.CommonName)
	for _, use := range []x509.ExtKeyUsage{x509.ExtKeyUsageServerAuth, x509.ExtKeyUsageClientAuth} {
		_, err := leaf.Verify(x509.VerifyOptions{Roots: pool, DNSName: name, KeyUsages: []x509.ExtKeyUsage{use}})
		require.NoError(t, err, name)
	}
}

// checkStatic fails where a program asks for a loader or a library of the system; the image has neither.
func checkStatic(t *testing.T, program string) {
	t.Helper()
	f, err := elf.Open(program)
	if err != nil {
		return // not a system that containers of this image run on
	}
	defer func() { _ = f.Close() }()
	libraries, err := f.ImportedLibraries()
	require.NoError(t, err)
	require.Empty(t, libraries, "libraries the program asks for")
	for _, p := range f.Progs {
		require.NotEqual(t, elf.PT_INTERP, p.Type, "the program asks for a loader")
	}
}
