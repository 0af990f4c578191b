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

-- Own events that a restore to an earlier moment had lost and that others gave back, with the place at which they had kept them, and why their
-- effect on the service's own state could not be made again; empty where it could. tail is the last 8 bytes of the id: the trace of its command.
create table taken_back (
    event_id      uuid   not null,
    tail          bigint not null,
    from_epoch    bigint not null,
    from_position bigint not null,
    reason        text   not null,
    detail        text   not null,
    constraint taken_back_pk primary key (event_id)
);
create index taken_back_tail on taken_back (tail);

grant select, insert, update on head, relay_cursor to "@RUN_ROLE@";
grant select, insert on events, epochs_ended, taken_back to "@RUN_ROLE@";
