-- +goose Up

-- The newest event; one row, rewritten in place by every commit, so its page keeps room for several versions.
create table head (
    only_row        boolean not null default true,
    producer        text    not null,
    epoch           bigint  not null,
    position        bigint  not null,
    recorded_micros bigint  not null,
    previous_hash   bytea   not null,
    hash            bytea   not null,
    constraint head_pk primary key (only_row),
    constraint head_one_row check (only_row),
    constraint head_producer_given check (producer <> ''),
    constraint head_epoch_from_one check (epoch >= 1),
    constraint head_position_from_zero check (position >= 0),
    constraint head_hash_length check (length(hash) = 32 and length(previous_hash) = 32)
) with (fillfactor = 10);

create table events (
    epoch           bigint not null,
    position        bigint not null,
    event_id        uuid   not null,
    type            text   not null,
    recorded_micros bigint not null,
    previous_hash   bytea  not null,
    hash            bytea  not null,
    payload         bytea  not null,
    constraint events_pk primary key (epoch, position),
    constraint events_id_unique unique (event_id),
    constraint events_position_from_one check (epoch >= 1 and position >= 1),
    constraint events_hash_length check (length(hash) = 32 and length(previous_hash) = 32)
);

-- Where each earlier epoch ended.
create table epochs_ended (
    epoch    bigint not null,
    position bigint not null,
    hash     bytea  not null,
    constraint epochs_ended_pk primary key (epoch),
    constraint epochs_ended_hash_length check (length(hash) = 32)
);

-- What the relay has published; it may lag, never matters, and is the relay's alone.
create table relay_cursor (
    only_row boolean not null default true,
    epoch    bigint  not null,
    position bigint  not null,
    constraint relay_cursor_pk primary key (only_row),
    constraint relay_cursor_one_row check (only_row)
) with (fillfactor = 10);

grant select, insert, update on head, relay_cursor to "@RUN_ROLE@";
grant select, insert on events, epochs_ended to "@RUN_ROLE@";
