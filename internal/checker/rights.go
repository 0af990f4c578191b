package checker

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
)

// insertOnly are the tables of each service whose rows are only ever added.
func insertOnly(service string) []string {
	all := []string{"events", "epochs_ended", "taken_back", "inbox_events", "witnesses", "commands", "intent_tries", "intent_ends", "access_tokens",
		"access_revocations", "database_copies", "kept_given", "rises_answered"}
	return append(all, map[string][]string{
		"intake": {"party_versions", "item_versions", "scale_versions", "readings", "readings_conflicts", "codes", "received_versions", "received_weighings",
			"settlements", "settlement_ids", "purchases", "retold_batches", "reading_notes", "vehicle_versions", "visit_weighings", "visit_readings",
			"visit_closings", "tares", "scale_checks", "correction_proposals", "correction_decisions", "proposal_deliveries", "keyed_weights",
			"keyed_matches", "tickets", "ticket_marks", "discarded_readings"},
		"inventory":  {"claims", "emptyings", "facts", "legs", "run_lines", "movement_tries", "shipments", "count_books", "count_entries"},
		"production": {"item_prices", "run_lines", "run_contributions"},
	}[service]...)
}

// insufficientPrivilege is what Postgres calls a right that a role does not have (SQLSTATE 42501).
const insufficientPrivilege = "42501"

// insertOnlyHolds tries, as the run-time role, what it must not be able to do. Everything is rolled back.
func insertOnlyHolds(ctx context.Context, s *state, f *Finding) {
	if len(s.plant.RunTime) == 0 {
		f.leaves("no run-time role was given to try with")
		return
	}
	for _, name := range services() {
		dsn := s.plant.RunTime[name]
		if dsn == "" {
			f.partly("no run-time role of %s was given", name)
			continue
		}
		conn, err := pgx.Connect(ctx, dsn)
		if err != nil {
			f.partly("%s was not tried: %v", name, err)
			continue
		}
		for _, table := range insertOnly(name) {
			t := s.dbs[name].Tables[table]
			if t == nil {
				f.broken(name, table, "the table is not there")
				continue
			}
			id := pgx.Identifier{table}.Sanitize()
			column := pgx.Identifier{t.Columns[len(t.Columns)-1]}.Sanitize()
			for what, sql := range map[string]string{
				"update":   fmt.Sprintf("update %s set %s = %s where false", id, column, column),
				"delete":   fmt.Sprintf("delete from %s where false", id),
				"truncate": "truncate " + id,
			} {
				f.Checked++
				if err := tried(ctx, conn, sql); err != nil {
					f.broken(name, table, "%s as the run-time role: %v", what, err)
				}
			}
		}
		_ = conn.Close(ctx)
	}
	sortViolations(f)
}

// tried is nil where Postgres refused the statement for want of a right.
func tried(ctx context.Context, conn *pgx.Conn, sql string) error {
	tx, err := conn.Begin(ctx)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback(ctx) }()
	_, err = tx.Exec(ctx, sql)
	var refused *pgconn.PgError
	switch {
	case err == nil:
		return errors.New("it may")
	case errors.As(err, &refused) && refused.Code == insufficientPrivilege:
		return nil
	}
	return fmt.Errorf("want a refusal for want of a right, got %w", err)
}
