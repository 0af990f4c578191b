package postgres

import (
	"context"
	"fmt"
	"strings"

	"huskline/internal/fault"
)

// CheckDurability refuses a server that may lose what it answered OK: fsync, full_page_writes or synchronous_commit off. The program calls it before it serves.
func (db *DB) CheckDurability(ctx context.Context) error {
	const sql = `select coalesce(string_agg(name, ', ' order by name), '')
		from pg_settings
		where name in ('fsync', 'full_page_writes', 'synchronous_commit') and setting = 'off'`
	var off string
	if err := db.pool.QueryRow(ctx, sql).Scan(&off); err != nil {
		return fmt.Errorf("check durability of database %s: %w", db.cfg.Name, err)
	}
	if off != "" {
		return fault.Precondition("database_not_durable", "database %s: %s is off: a power cut would lose what was answered OK; switch it on", db.cfg.Name, off)
	}
	return nil
}

// CheckRole refuses a run-time role that could get round the grants: a superuser, one that bypasses row rules, or the owner of anything in the database. The program calls it before it serves.
func (db *DB) CheckRole(ctx context.Context) error {
	const sql = `select r.rolname, r.rolsuper, r.rolbypassrls,
			exists (select 1 from pg_class c where pg_has_role(r.oid, c.relowner, 'usage'))
		from pg_roles r where r.rolname = current_user`
	var name string
	var super, bypass, owner bool
	if err := db.pool.QueryRow(ctx, sql).Scan(&name, &super, &bypass, &owner); err != nil {
		return fmt.Errorf("check role of database %s: %w", db.cfg.Name, err)
	}
	var why []string
	for reason, holds := range map[string]bool{"is a superuser": super, "bypasses row rules": bypass, "owns tables": owner} {
		if holds {
			why = append(why, reason)
		}
	}
	if len(why) > 0 {
		return fault.Precondition("database_role_too_strong", "database %s: role %s %s: serve as the run-time role", db.cfg.Name, name, strings.Join(why, ", "))
	}
	return nil
}

// Identity says which copy of history a cluster is. It changes when a cluster is restored or made anew, so a service that finds another than it wrote down raises its epoch.
type Identity struct {
	System   string // made at initdb
	Timeline int64  // raised by every point-in-time recovery and fail-over
}

// Identity reads the identity of the cluster.
func (db *DB) Identity(ctx context.Context) (Identity, error) {
	const sql = `select s.system_identifier::text, c.timeline_id::bigint from pg_control_system() s, pg_control_checkpoint() c`
	var id Identity
	if err := db.pool.QueryRow(ctx, sql).Scan(&id.System, &id.Timeline); err != nil {
		return Identity{}, fmt.Errorf("read identity of database %s: %w", db.cfg.Name, err)
	}
	return id, nil
}
