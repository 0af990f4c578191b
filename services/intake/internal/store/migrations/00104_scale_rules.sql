-- +goose Up

-- What a scale is held to, and when it is worked with. Arrays that belong together have one length.
alter table scales
    add column unit            text       not null default '',
    add column range_tops      bigint[]   not null default '{}',
    add column range_divisions bigint[]   not null default '{}',
    add column minimum         bigint     not null default 0,
    add column hour_days       smallint[] not null default '{}', -- 0 is Sunday
    add column hour_opens      smallint[] not null default '{}', -- minutes of the day
    add column hour_closes     smallint[] not null default '{}',
    add column zone            text       not null default '',
    add column silence         bigint     not null default 0,    -- seconds; 0: no alarm
    add column out_since       timestamptz,                      -- null: in service, or out for longer than is known
    add column failed_check    text       not null default '';   -- the check that stands failed; empty: none
alter table scale_versions
    add column unit            text       not null default '',
    add column range_tops      bigint[]   not null default '{}',
    add column range_divisions bigint[]   not null default '{}',
    add column minimum         bigint     not null default 0,
    add column hour_days       smallint[] not null default '{}',
    add column hour_opens      smallint[] not null default '{}',
    add column hour_closes     smallint[] not null default '{}',
    add column zone            text       not null default '',
    add column silence         bigint     not null default 0,
    add column failed_check    text       not null default '';

-- What few readings have, of stored ones and of those kept apart: what the scale said of itself, the rules that the reading broke, and what the
-- sender's clock was ahead. Most readings have no row here.
create table reading_notes (
    scale_id        integer not null,
    sequence        bigint  not null,
    hash            uuid    not null, -- of the reading
    in_motion       boolean not null,
    high_resolution boolean not null,
    center_of_zero  boolean not null,
    range           integer not null, -- 0: not said
    marks           integer not null, -- a bit for each rule
    offset_micros   bigint  not null, -- of the sender's clock; 0: not known, or under a second
    constraint reading_notes_pk primary key (scale_id, sequence, hash)
);
grant select, insert on reading_notes to "@RUN_ROLE@";
