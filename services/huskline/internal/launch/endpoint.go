package launch

import (
	"crypto/rand"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"huskline/internal/fault"
)

// Endpoint is where a running plant listens, and the token of its data folder. The file is readable by its owner only.
type Endpoint struct {
	GRPC  string `json:"grpc"`
	HTTP  string `json:"http"`
	MQTT  string `json:"mqtt,omitempty"` // where devices connect by MQTT; empty: nowhere
	Token string `json:"token"`
	PID   int    `json:"pid"`
}

const endpointFile = "endpoint"

// NotRunning is what is told to who asks a data folder on which nothing runs.
func NotRunning(dir string) error {
	return fault.Unavailable("not_running", "data folder %s: nothing runs on it; start it with: huskline up --data %s", dir, dir)
}

// ReadEndpoint finds a running plant by its data folder.
func ReadEndpoint(dir string) (Endpoint, error) {
	var e Endpoint
	data, err := os.ReadFile(filepath.Join(dir, endpointFile))
	if errors.Is(err, fs.ErrNotExist) {
		return e, NotRunning(dir)
	}
	if err != nil {
		return e, err
	}
	if err := json.Unmarshal(data, &e); err != nil {
		return e, fmt.Errorf("read %s: %w", filepath.Join(dir, endpointFile), err)
	}
	return e, nil
}

// writeEndpoint puts the file in place whole: written aside, flushed, renamed.
func writeEndpoint(dir string, e Endpoint) error {
	data, err := json.MarshalIndent(e, "", "  ")
	if err != nil {
		return err
	}
	return writeWhole(filepath.Join(dir, endpointFile), append(data, '\n'))
}

func writeWhole(path string, data []byte) error {
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	_, err = f.Write(data)
	err = errors.Join(err, f.Sync(), f.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	folder, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(folder.Sync(), folder.Close())
}

// folderToken reads the data folder's secret, or makes one at the first start.
func folderToken(dir string) (string, error) {
	path := filepath.Join(dir, "token")
	data, err := os.ReadFile(path)
	if err == nil && len(data) == 64 {
		return string(data), nil
	}
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return "", err
	}
	secret := make([]byte, 32)
	if _, err := rand.Read(secret); err != nil {
		return "", err
	}
	text := hex.EncodeToString(secret)
	return text, writeWhole(path, []byte(text))
}
