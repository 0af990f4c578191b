package plant

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
)

// laterMigration is one that the present program does not know.
const laterMigration = `-- +goose Up
create table of_a_later_version (
    id bigint not null,
    constraint of_a_later_version_pk primary key (id)
);
grant select, insert on of_a_later_version to "@RUN_ROLE@";
`

// The line of package lotwire that makes the bytes of an event, and what a later version has there: a field that the present one does not know.
const (
	presentLine = "	payload, err := proto.MarshalOptions{Deterministic: true}.Marshal(m)\n"
	laterLine   = "	m.ProtoReflect().SetUnknown([]byte{0xf8, 0xff, 0x0f, 0x01}) // field 32767, a number\n" + presentLine
)

// BuildLater builds the program as it may be in a later version, with its failpoints: every event bears a field that the present one does not know, and
// every database gets a table. The tree stays as it is.
func BuildLater(ctx context.Context, dir string) (string, error) {
	mod, err := exec.CommandContext(ctx, "go", "env", "GOMOD").Output()
	root := filepath.Dir(strings.TrimSpace(string(mod)))
	if err != nil || root == "." {
		return "", errors.Join(errors.New("the tree is not here: no go.mod"), err)
	}
	event := filepath.Join(root, "internal", "lotwire", "lotwire.go")
	text, err := os.ReadFile(event)
	if err != nil {
		return "", err
	}
	later := bytes.Replace(text, []byte(presentLine), []byte(laterLine), 1)
	if bytes.Equal(text, later) {
		return "", fmt.Errorf("%s: the line that makes an event's bytes is another", event)
	}
	replace := map[string]string{event: filepath.Join(dir, "later-lotwire.go")}
	migration := filepath.Join(dir, "later.sql")
	for _, service := range Services() {
		replace[filepath.Join(root, "services", service, "internal", "store", "migrations", "00999_later.sql")] = migration
	}
	list, err := json.Marshal(map[string]any{"Replace": replace})
	if err != nil {
		return "", err
	}
	overlay, program := filepath.Join(dir, "later.json"), filepath.Join(dir, "huskline-later")
	err = errors.Join(os.WriteFile(replace[event], later, 0o600), os.WriteFile(migration, []byte(laterMigration), 0o600), os.WriteFile(overlay, list, 0o600))
	if err != nil {
		return "", err
	}
	cmd := exec.CommandContext(ctx, "go", "build", "-tags", "failpoint", "-overlay", overlay, "-o", program, "huskline/services/huskline")
	cmd.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("build a later version: %w\n%s", err, out)
	}
	return program, nil
}
