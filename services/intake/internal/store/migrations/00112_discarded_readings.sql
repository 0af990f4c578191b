-- +goose Up

-- Readings that were refused and that a person put aside for good: fact is a huskline.event.v1.ReadingDiscarded, content what the reading comes to.
create table discarded_readings (
    number   bigint      not null generated always as identity,
    content  bytea       not null,
    fact     bytea       not null,
    recorded timestamptz not null,
    constraint discarded_readings_pk primary key (content),
    constraint discarded_readings_number unique (number),
    constraint discarded_readings_content check (octet_length(content) = 16)
);
select seal_table('discarded_readings');
grant select, insert on discarded_readings to "@RUN_ROLE@";
