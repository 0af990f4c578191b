-- +goose Up

-- Every accepted command with its answer. The answer is kept without its receipt, which is epoch and position.
create table commands (
    command_id      uuid   not null,
    method          text   not null,
    digest          bytea  not null,
    answer_type     text   not null,
    answer          bytea  not null,
    epoch           bigint not null,
    position        bigint not null,
    recorded_micros bigint not null,
    constraint commands_pk primary key (command_id),
    constraint commands_digest_length check (length(digest) = 32)
);

-- What was asked of the inventory, before it was asked: one row for each try of a command.
create table intent_tries (
    command_id    uuid   not null,
    try           bigint not null,
    method        text   not null,
    digest        bytea  not null,
    request       bytea  not null,
    movement      bytea  not null,
    actor         text   not null,
    opened_micros bigint not null,
    constraint intent_tries_pk primary key (command_id, try),
    constraint intent_tries_from_one check (try >= 1)
);

-- How a try ended: with the receipt of what the inventory recorded, or with a refusal.
create table intent_ends (
    command_id   uuid   not null,
    try          bigint not null,
    reason       text   not null,
    kind         bigint not null,
    refusal      text   not null,
    epoch        bigint not null,
    position     bigint not null,
    ended_micros bigint not null,
    constraint intent_ends_pk primary key (command_id, try),
    constraint intent_ends_try foreign key (command_id, try) references intent_tries (command_id, try)
);
create index intent_ends_at on intent_ends (epoch, position);

-- The tries that have not ended: a work list, no record. A row is inserted with the try and deleted with its end.
create table open_intents (
    command_id    uuid   not null,
    try           bigint not null,
    opened_micros bigint not null,
    constraint open_intents_pk primary key (command_id)
);

grant select, insert on commands, intent_tries, intent_ends to "@RUN_ROLE@";
-- update is what "select for update" asks for: whoever ends a try locks its row first.
grant select, insert, update, delete on open_intents to "@RUN_ROLE@";
