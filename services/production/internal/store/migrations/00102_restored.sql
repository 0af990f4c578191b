-- +goose Up

-- The weight of one piece, as the latest change of an item says; 0 where it has none or counts for nothing, as packaging does.
alter table items add column unit bigint not null default 0;
alter table item_prices add column unit bigint not null default 0;

alter table run_lines add column container text not null default '';

-- What the inventory accepted of a run is kept also where the run is not known: after a restore to an earlier moment it may be told of before
-- the run itself is taken back.
alter table run_lines drop constraint run_lines_run;
alter table run_contributions drop constraint run_contributions_run;

-- Events that follow from others' events and could not be said yet, because the lost part of the past was still being taken back. A work list:
-- what was lost and is back is struck off, the rest is said and struck off.
create table owed_events (
    number   bigint generated always as identity,
    event_id uuid  not null,
    subject  text  not null,
    type     text  not null,
    payload  bytea not null,
    constraint owed_events_pk primary key (number),
    constraint owed_events_id unique (event_id)
);
create index owed_events_by_subject on owed_events (subject);

grant select, insert, delete on owed_events to "@RUN_ROLE@";
