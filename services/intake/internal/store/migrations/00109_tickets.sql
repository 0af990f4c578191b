-- +goose Up

-- Weights that people keyed in: fact is a huskline.event.v1.WeightKeyed.
create table keyed_weights (
    keyed      bigint           not null,
    scale      text collate "C" not null,
    ticket     text collate "C" not null, -- of the indicator
    supersedes bigint           not null, -- 0: none
    fact       bytea            not null,
    recorded   timestamptz      not null,
    constraint keyed_weights_pk primary key (keyed)
);
create unique index keyed_weights_ticket on keyed_weights (scale, ticket) where supersedes = 0;
create index keyed_weights_tickets on keyed_weights (scale, ticket);
create unique index keyed_weights_once on keyed_weights (supersedes) where supersedes <> 0;
-- Readings that people found keyed weights to be: fact is a huskline.event.v1.WeightMatched.
create table keyed_matches (
    keyed    bigint           not null,
    scale    text collate "C" not null,
    sequence bigint           not null,
    fact     bytea            not null,
    recorded timestamptz      not null,
    constraint keyed_matches_pk primary key (keyed)
);
create unique index keyed_matches_reading on keyed_matches (scale, sequence);
-- Where keyed weights were used. The row is also the lock.
create table keyed_uses (
    keyed bigint           not null,
    visit bigint           not null, -- 0: in none
    lot   text collate "C" not null, -- by the version that stands; empty: none
    constraint keyed_uses_pk primary key (keyed)
) with (fillfactor = 80);
create index keyed_uses_lot on keyed_uses (lot) where lot <> '';

alter table received_weighings add column keyed bigint not null default 0; -- 0: no keyed weight

grant select, insert on keyed_weights, keyed_matches to "@RUN_ROLE@";
grant select, insert, update on keyed_uses to "@RUN_ROLE@";

-- Weigh tickets: fact is a huskline.event.v1.TicketIssued.
create table tickets (
    series   text collate "C" not null,
    number   bigint           not null,
    visit    bigint           not null,
    line     bigint           not null,
    issued   timestamptz      not null,
    fact     bytea            not null,
    recorded timestamptz      not null,
    constraint tickets_pk primary key (series, number)
);
-- What became of them: fact is a huskline.event.v1.TicketMarked.
create table ticket_marks (
    series   text collate "C" not null,
    number   bigint           not null,
    place    bigint           not null, -- in order, from 1
    marked   timestamptz      not null,
    fact     bytea            not null,
    recorded timestamptz      not null,
    constraint ticket_marks_pk primary key (series, number, place)
);
-- The last ticket of each line of a visit.
create table ticket_lines (
    visit  bigint           not null,
    line   bigint           not null,
    series text collate "C" not null,
    number bigint           not null,
    stands boolean          not null,
    constraint ticket_lines_pk primary key (visit, line)
) with (fillfactor = 80);
create unique index ticket_lines_ticket on ticket_lines (series, number);
grant select, insert on tickets, ticket_marks to "@RUN_ROLE@";
grant select, insert, update on ticket_lines to "@RUN_ROLE@";

select seal_table('keyed_weights');
select seal_table('keyed_matches');
select seal_table('keyed_uses');
select seal_table('tickets');
select seal_table('ticket_marks');
select seal_table('ticket_lines');
