package desk_test

import (
	"embed"
	"io/fs"
	"testing"
	"testing/fstest"

	"github.com/stretchr/testify/require"

	eventv1 "huskline/proto/huskline/event/v1"

	"huskline/internal/dbtest"
	"huskline/internal/desk"
	"huskline/internal/inbox"
	"huskline/internal/lot"
	"huskline/internal/outbox"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

func own() fs.FS {
	return fstest.MapFS{"migrations/00101_thing.sql": {Data: []byte("-- +goose Up\ncreate table thing (id text);\ngrant select on thing to \"@RUN_ROLE@\";\n")}}
}

// The merged folder behaves as a file system should, by the standard library's own judgement.
func TestMigrationsAreAFileSystem(t *testing.T) {
	t.Parallel()
	set := desk.Migrations(lot.Production, own())
	require.NoError(t, fstest.TestFS(set, "00001_outbox.sql", "00004_access.sql", "00100_head.sql", "00101_thing.sql"))
	text, err := fs.ReadFile(set, "00101_thing.sql")
	require.NoError(t, err)
	require.Contains(t, string(text), `"huskline_production_run"`)
}

func TestTwoFilesOfOneNameAreRefused(t *testing.T) {
	t.Parallel()
	twice := fstest.MapFS{"migrations/00001_outbox.sql": {Data: []byte("-- +goose Up\n")}}
	_, err := fs.ReadDir(desk.Migrations(lot.Production, twice), ".")
	require.ErrorContains(t, err, "00001_outbox.sql is there twice")
	var none embed.FS
	_, err = fs.ReadDir(desk.Migrations(lot.Production, none), ".")
	require.Error(t, err, "a service without migrations of its own")
}

func TestFreshDatabaseHasAHead(t *testing.T) {
	t.Parallel()
	db := dbtest.New(t, desk.Migrations(lot.Production, own()), "production")
	d := desk.New(db, inbox.New(inbox.Config{DB: db, Self: lot.Production}))
	s, err := d.Standing(t.Context())
	require.NoError(t, err)
	require.Equal(t, "production", s.Head.GetAt().GetProducer())
	require.Zero(t, s.Head.GetAt().GetPosition())
	require.NoError(t, outbox.Init(t.Context(), db, lot.Production), "it is what the outbox itself would write")
	require.NoError(t, d.ReadEvents(t.Context(), 1, 0, 0, func([]*eventv1.Envelope) error {
		t.Error("an event where there is none")
		return nil
	}))
}
