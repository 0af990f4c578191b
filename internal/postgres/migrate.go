package postgres

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"maps"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"huskline/internal/fault"
)

// migrationsFolder is where an embedded file system usually has them.
const migrationsFolder = "migrations"

// Migrate brings the database up to the newest migration (NNNN_name.sql, at the top of migrations or in its folder "migrations"), as the owner whose DSN is given.
// Each file is one transaction unless it says otherwise, so a killed migration leaves the database between two files and the next start goes on.
// A database that has later files already gets an earlier one too: a set is made of several folders, each with numbers of its own.
// Several processes may call it at once: a session lock lets one work and the others wait, up to a minute.
func Migrate(ctx context.Context, dsn string, migrations fs.FS) error {
	cfg, err := pgx.ParseConfig(dsn)
	if err != nil {
		return fault.Invalid("database_dsn", "the connection string for migrations cannot be read")
	}
	cfg.RuntimeParams["application_name"] = "huskline migrate"
	maps.Copy(cfg.RuntimeParams, rowText())
	if _, err := fs.Stat(migrations, migrationsFolder); err == nil {
		if migrations, err = fs.Sub(migrations, migrationsFolder); err != nil {
			return fmt.Errorf("migrate %s: %w", cfg.Database, err)
		}
	}
	// Tried each second for a minute: a migration of a large table by another process takes that long.
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 60))
	if err != nil {
		return fmt.Errorf("migrate %s: %w", cfg.Database, err)
	}
	db := stdlib.OpenDB(*cfg)
	defer db.Close()
	provider, err := goose.NewProvider(goose.DialectPostgres, db, migrations,
		goose.WithSessionLocker(locker), goose.WithAllowOutofOrder(true), goose.WithDisableGlobalRegistry(true), goose.WithSlog(slog.New(slog.DiscardHandler)))
	if errors.Is(err, goose.ErrNoMigrations) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("read migrations of %s: %w", cfg.Database, err)
	}
	if _, err := provider.Up(ctx); err != nil {
		if ctx.Err() != nil { // the driver's words for it tell nothing
			return fmt.Errorf("migrate %s: interrupted: %w", cfg.Database, ctx.Err())
		}
		return fmt.Errorf("migrate %s: %w", cfg.Database, err)
	}
	return nil
}
