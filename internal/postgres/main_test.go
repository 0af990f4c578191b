package postgres_test

import (
	"testing"
	"testing/fstest"

	"huskline/internal/dbtest"
)

func TestMain(m *testing.M) { dbtest.Main(m) }

// migrations are a service's, in small: a balance that never goes below zero and legs that are only added.
func migrations() fstest.MapFS {
	return fstest.MapFS{
		"migrations/0001_balance.sql": {Data: []byte(`-- +goose Up
create table balance (
	lot text primary key,
	pounds bigint not null,
	constraint balance_not_negative check (pounds >= 0)
);
grant select, insert, update on balance to huskline_stock_run;
`)},
		"migrations/0002_leg.sql": {Data: []byte(`-- +goose Up
create table leg (
	id bigint primary key,
	lot text not null,
	recorded timestamptz not null default now(),
	constraint leg_lot_fkey foreign key (lot) references balance (lot)
);
grant select, insert on leg to huskline_stock_run;
`)},
	}
}
