// Package deploy checks, in tests only, that what lies here fits the program: the compose file names flags, files and secrets that exist, the bus
// lets each service do its work and no more, and the database script gives what the services insist on.
package deploy

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"go.yaml.in/yaml/v3"
)

// composition is the part of docker-compose.yml that is checked.
type composition struct {
	Services map[string]composed
	Secrets  map[string]struct{ File string }
	Volumes  map[string]any
}

type composed struct {
	Command     []string
	Environment map[string]string
	EnvFile     []string `yaml:"env_file"`
	Secrets     []string
	Volumes     []string
	Ports       []string
	Build       struct{ Context, Dockerfile string }
	DependsOn   map[string]any `yaml:"depends_on"`
	Healthcheck struct{ Test []string }
}

func readComposition(t *testing.T) composition {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("..", "docker-compose.yml"))
	require.NoError(t, err)
	var c composition
	require.NoError(t, yaml.Unmarshal(text, &c))
	for _, name := range append(services(), "postgres", "nats") {
		require.Contains(t, c.Services, name)
	}
	return c
}

// TestComposeNamesWhatThereIs catches a secret, a file or a volume that is named in the compose file and made by nobody.
func TestComposeNamesWhatThereIs(t *testing.T) {
	t.Parallel()
	c := readComposition(t)
	secrets := filepath.Join(t.TempDir(), "secrets")
	out, err := exec.Command("bash", filepath.Join("tls", "certificates.sh"), secrets).CombinedOutput()
	require.NoError(t, err, "%s", out)
	made := func(path string) string {
		return filepath.Join(secrets, strings.TrimPrefix(strings.TrimPrefix(path, "./"), "secrets/"))
	}
	for name, secret := range c.Secrets {
		info, err := os.Stat(made(secret.File))
		require.NoError(t, err, "secret %s", name)
		require.Positive(t, info.Size(), "secret %s", name)
		require.Zero(t, info.Mode().Perm()&0o077, "secret %s is open to others", name)
	}
	for name, s := range c.Services {
		for _, secret := range s.Secrets {
			require.Contains(t, c.Secrets, secret, "secret of %s", name)
		}
		for key, value := range s.Environment {
			if at, ok := strings.CutPrefix(value, "/run/secrets/"); ok {
				require.Contains(t, s.Secrets, at, "%s of %s", key, name)
			}
		}
		for _, file := range s.EnvFile {
			require.FileExists(t, made(file), "environment of %s", name)
		}
		for _, volume := range s.Volumes {
			from, _, _ := strings.Cut(volume, ":")
			if strings.HasPrefix(from, ".") {
				require.FileExists(t, filepath.Join("..", from), "volume of %s", name)
			} else {
				require.Contains(t, c.Volumes, from, "volume of %s", name)
			}
		}
		if s.Build.Dockerfile != "" {
			require.FileExists(t, filepath.Join("..", s.Build.Context, s.Build.Dockerfile))
		}
		for other := range s.DependsOn {
			require.Contains(t, c.Services, other, "%s depends on it", name)
		}
	}
	again, err := exec.Command("bash", filepath.Join("tls", "certificates.sh"), secrets).CombinedOutput()
	require.NoError(t, err, "%s", again)
}

// TestCertificatesNameServices catches a certificate whose name is not the service's, which is its identity for the others, or that another
// authority signed.
func TestCertificatesNameServices(t *testing.T) {
	t.Parallel()
	secrets := t.TempDir()
	out, err := exec.Command("bash", filepath.Join("tls", "certificates.sh"), secrets).CombinedOutput()
	require.NoError(t, err, "%s", out)
	for _, name := range services() {
		checkCertificate(t, secrets, name)
	}
}

var flagName = regexp.MustCompile(`\(\$(HUSKLINE_[A-Z_]+)\)`)

// TestComposeNamesRealFlags asks the built program which environment it reads, and holds the compose file to it. The build is the image's: static, so
// that it runs on an empty base. It catches a renamed flag, which a container would ignore without a word, and a dependency that needs C.
func TestComposeNamesRealFlags(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("builds the program once more, without C")
	}
	program := filepath.Join(t.TempDir(), "huskline")
	build := exec.Command("go", "build", "-o", program, "huskline/services/huskline")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	out, err := build.CombinedOutput()
	require.NoError(t, err, "%s", out)
	checkStatic(t, program)
	help, err := exec.Command(program, "serve", "--help").CombinedOutput()
	require.NoError(t, err, "%s", help)
	var known []string
	for _, m := range flagName.FindAllStringSubmatch(strings.Join(strings.Fields(string(help)), " "), -1) {
		known = append(known, m[1])
	}
	require.NotEmpty(t, known, "%s", help)
	c := readComposition(t)
	for _, name := range services() {
		s := c.Services[name]
		require.Equal(t, []string{"serve", name}, s.Command)
		require.Equal(t, []string{"CMD", "/huskline", "serve", name, "--probe"}, s.Healthcheck.Test)
		for key := range s.Environment {
			if !slices.Contains(known, key) {
				t.Errorf("%s sets %s, which the program does not read; it reads %v", name, key, known)
			}
		}
		for _, other := range services() {
			if other != name && !strings.Contains(s.Environment["HUSKLINE_PEERS"], other+"="+other+":7400") {
				t.Errorf("%s does not know where %s is: %s", name, other, s.Environment["HUSKLINE_PEERS"])
			}
		}
	}
}
