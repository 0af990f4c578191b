-- +goose Up

-- Each copy of the database that the service has found itself on. Another than the last means that it was restored, or moved.
create table database_copies (
    number   bigint      not null generated always as identity,
    system   text        not null,
    timeline bigint      not null,
    database bigint      not null,
    found_at timestamptz not null,
    constraint database_copies_pk primary key (number)
);

-- Which other service has given back all it had kept of what followed the end of an own epoch.
create table kept_given (
    ended_epoch bigint      not null,
    producer    text        not null,
    given_at    timestamptz not null,
    constraint kept_given_pk primary key (ended_epoch, producer)
);

-- Which ended epochs of others the service has answered, by sending again what they may have lost.
create table rises_answered (
    producer    text        not null,
    epoch       bigint      not null,
    position    bigint      not null, -- where it ended
    answered_at timestamptz not null,
    constraint rises_answered_pk primary key (producer, epoch)
);

grant select, insert on database_copies, kept_given, rises_answered to "@RUN_ROLE@";
