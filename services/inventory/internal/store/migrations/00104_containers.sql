-- +goose Up

alter table legs add column container text collate "C" not null default ''; -- empty: loose goods
alter table shipment_lines add column containers text[] not null default '{}';

-- What is left in containers, and where they stand. Derived from the legs; the containers of a lot at a place never hold more than lies there.
create table containers (
    lot         text collate "C" not null,
    container   text collate "C" not null,
    place       text collate "C" not null,
    quantity    bigint           not null,
    filled_from timestamptz,
    filled_to   timestamptz      not null,
    constraint containers_pk primary key (lot, container, place),
    constraint containers_lot foreign key (lot) references lots (lot),
    constraint containers_never_below_zero check (quantity >= 0)
) with (fillfactor = 80);

-- Of a hold on a part of its root: what was drawn before this moment cannot be of that part.
alter table holds add column since timestamptz;
-- Excluded because all it was made from is, not by a decision of its own: held when something held goes in.
alter table hold_flags add column inherited boolean not null default false;

-- A piece of a counted item weighs this in a run's balance.
alter table items add column unit bigint not null default 0;
alter table run_lines add column item text collate "C" not null default '';

grant select, insert, update on containers to "@RUN_ROLE@";
