package postgres

import (
	"context"
	"fmt"
	"net/url"
	"regexp"

	"github.com/jackc/pgx/v5"

	"huskline/internal/fault"
)

var servicePattern = regexp.MustCompile(`^[a-z][a-z0-9_]{0,39}$`)

// OwnerRole is the role that owns a service's database and runs its migrations. The database has the same name.
func OwnerRole(service string) string { return "huskline_" + service }

// RunRole is the role that a service serves with, and that its migrations grant to.
func RunRole(service string) string { return "huskline_" + service + "_run" }

// Provision makes the database and the two roles of a service where they are missing, and returns a connection string for each role. adminDSN is a URL of a role that may make both.
// The roles get no password: it is for a server that lets in whoever reaches its socket, as pgserver's does; elsewhere deploy/ makes them.
// Repeating it, also at the same time, changes nothing.
func Provision(ctx context.Context, adminDSN, service string) (ownerDSN, runDSN string, err error) {
	return ProvisionDatabase(ctx, adminDSN, service, OwnerRole(service))
}

// ProvisionDatabase is Provision for a database of another name, so that one cluster can hold several of one service.
func ProvisionDatabase(ctx context.Context, adminDSN, service, database string) (ownerDSN, runDSN string, err error) {
	if !servicePattern.MatchString(service) || !servicePattern.MatchString(database) {
		return "", "", fault.Invalid("service_name", "service %q, database %q: lower case letters, digits and _, at most 40", service, database)
	}
	if err := makeDatabase(ctx, adminDSN, service, database); err != nil {
		return "", "", fmt.Errorf("provision %s: %w", service, err)
	}
	if ownerDSN, err = WithRole(adminDSN, OwnerRole(service), database); err != nil {
		return "", "", err
	}
	runDSN, err = WithRole(adminDSN, RunRole(service), database)
	return ownerDSN, runDSN, err
}

func makeDatabase(ctx context.Context, adminDSN, service, database string) error {
	const role = `select exists (select 1 from pg_roles where rolname = $1)`
	const base = `select exists (select 1 from pg_database where datname = $1)`
	owner, run := OwnerRole(service), RunRole(service)
	err := runAll(ctx, adminDSN, []statement{
		// Names match servicePattern, so they need no quoting; such statements take no parameters.
		{role, owner, "create role " + owner + " login nosuperuser nocreatedb nocreaterole"},
		{role, run, "create role " + run + " login nosuperuser nocreatedb nocreaterole"},
		{base, database, "create database " + database + " owner " + owner},
		{"", "", "revoke all on database " + database + " from public"},
		{"", "", "grant connect on database " + database + " to " + run},
	})
	if err != nil {
		return err
	}
	inside, err := withDatabase(adminDSN, database)
	if err != nil {
		return err
	}
	// Before version 15 everybody could make tables in the schema public, and the database's owner did not own it.
	return runAll(ctx, inside, []statement{
		{"", "", "revoke create on schema public from public"},
		{"", "", "grant all on schema public to " + owner},
	})
}

// statement is run unless the question, asked of the name, answers that it has been.
type statement struct{ question, name, sql string }

func runAll(ctx context.Context, dsn string, statements []statement) error {
	conn, err := pgx.Connect(ctx, dsn)
	if err != nil {
		return err
	}
	defer conn.Close(context.WithoutCancel(ctx))
	for _, s := range statements {
		done := false
		if s.question != "" {
			if err := conn.QueryRow(ctx, s.question, s.name).Scan(&done); err != nil {
				return err
			}
		}
		if done {
			continue
		}
		_, err := conn.Exec(ctx, s.sql)
		// Somebody else may have been quicker; two at the very same time collide on the catalogue's own index, or on the row of its rights.
		if code := Code(err); code == codeDuplicateObject || code == codeDuplicateDB || code == codeUnique || code == codeConcurrent {
			continue
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// withDatabase is a connection URL changed to another database.
func withDatabase(dsn, database string) (string, error) {
	u, err := url.Parse(dsn)
	if err != nil || (u.Scheme != "postgres" && u.Scheme != "postgresql") {
		return "", fault.Invalid("database_dsn", "the administrator's connection string must be a postgres:// URL")
	}
	u.Path = "/" + database
	return u.String(), nil
}

// WithRole is a connection URL changed to another role and database, its password dropped.
func WithRole(dsn, role, database string) (string, error) {
	dsn, err := withDatabase(dsn, database)
	if err != nil {
		return "", err
	}
	u, err := url.Parse(dsn)
	if err != nil {
		return "", err
	}
	u.User = url.User(role)
	return u.String(), nil
}
