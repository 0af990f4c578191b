-- +goose Up

-- Every event of the other producers that was settled, with the bytes it came in. Kept for good: indexes and reads of the past are made from it.
create table inbox_events (
    producer        text    not null,
    epoch           bigint  not null,
    position        bigint  not null,
    event_id        text    not null, -- empty where the payload could not be read
    type            text    not null,
    recorded_micros bigint  not null,
    previous_hash   bytea   not null,
    hash            bytea   not null,
    payload         bytea   not null,
    repeated        boolean not null, -- taken back after a restore: known before under its id, without effect here
    constraint inbox_events_pk primary key (producer, epoch, position),
    constraint inbox_events_position_from_one check (epoch >= 1 and position >= 1)
);
create index inbox_events_id on inbox_events (event_id);

-- How far each producer's epoch is settled: applied, repeated, or in quarantine.
create table cursors (
    producer text   not null,
    epoch    bigint not null,
    position bigint not null,
    hash     bytea  not null, -- of the event there; at position 0, of the end of the epoch before
    constraint cursors_pk primary key (producer, epoch),
    constraint cursors_position_from_zero check (epoch >= 1 and position >= 0),
    constraint cursors_hash_length check (length(hash) = 32)
) with (fillfactor = 50);

-- Events that could not be applied, and those that wait behind them. A row stays when its event was applied after all, with the number of that release.
create table quarantine (
    number          bigint      not null generated always as identity,
    producer        text        not null,
    epoch           bigint      not null,
    position        bigint      not null,
    lots            text[]      not null, -- named or created
    reason          text        not null, -- stable
    detail          text        not null,
    behind_producer text        not null, -- empty: it failed itself
    behind_epoch    bigint      not null,
    behind_position bigint      not null,
    attempts        bigint      not null,
    first_at        timestamptz not null,
    last_at         timestamptz not null,
    release         bigint,
    constraint quarantine_pk primary key (number),
    constraint quarantine_event_unique unique (producer, epoch, position),
    constraint quarantine_event_fk foreign key (producer, epoch, position) references inbox_events (producer, epoch, position)
);
create index quarantine_open on quarantine (number) where release is null;
create unique index quarantine_release_unique on quarantine (release);

-- How many events were released from quarantine so far; an index that follows looks here for what it must apply late.
create table releases (
    only_row boolean not null default true,
    number   bigint  not null,
    constraint releases_pk primary key (only_row),
    constraint releases_one_row check (only_row)
);
insert into releases (number) values (0);

-- Heads of others as they were heard: who rewrites or cuts his past is shown by them.
create table witnesses (
    producer text        not null,
    epoch    bigint      not null,
    position bigint      not null,
    hash     bytea       not null,
    heard_at timestamptz not null,
    constraint witnesses_pk primary key (producer, epoch, position),
    constraint witnesses_hash_length check (length(hash) = 32)
);

grant select, insert on inbox_events, witnesses to "@RUN_ROLE@";
grant select, insert, update on cursors, quarantine to "@RUN_ROLE@";
grant select, update on releases to "@RUN_ROLE@";
