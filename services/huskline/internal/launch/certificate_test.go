package launch

import (
	"bytes"
	"os"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"huskline/internal/planttest"
)

// Catches: a service that has to be stopped for a new certificate, and one that shows none while the two files are being written.
func TestCertificateIsReadAgainWhenItChanged(t *testing.T) {
	t.Parallel()
	authority := planttest.NewAuthority(t)
	cert, key := authority.Issue(t, "intake")
	c, err := loadCertificate(cert, key)
	require.NoError(t, err)
	first := c.current()
	oldKey, err := os.ReadFile(key)
	require.NoError(t, err)
	_, _, err = authority.MakeUntil("intake", time.Now().Add(time.Hour))
	require.NoError(t, err)
	newKey, err := os.ReadFile(key)
	require.NoError(t, err)

	write := func(content []byte, at time.Time) {
		t.Helper()
		require.NoError(t, os.WriteFile(key, content, 0o600))
		require.NoError(t, os.Chtimes(key, at, at))
	}
	write(oldKey, time.Now().Add(time.Minute))
	if got := c.current(); got != first {
		t.Error("a certificate without its key took the place of the one before")
	}
	write(newKey, time.Now().Add(2*time.Minute))
	if got := c.current(); bytes.Equal(got.Certificate[0], first.Certificate[0]) {
		t.Error("the old certificate is shown, a new one is in its place")
	}
	require.NoError(t, os.Remove(cert))
	if c.current() == nil {
		t.Error("no certificate is shown while its file is away")
	}
}
