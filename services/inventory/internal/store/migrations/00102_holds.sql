-- +goose Up

create table holds (
    hold       text collate "C" not null,
    number     bigint           not null generated always as identity, -- for paging, oldest first
    class      smallint         not null,
    root       text collate "C" not null,
    reason     text             not null,
    recall     boolean          not null,
    containers text[]           not null,
    fill_from  timestamptz,
    fill_to    timestamptz,
    placed_by  text             not null,
    effective  timestamptz      not null,
    recorded   timestamptz      not null,
    ended_at   timestamptz,
    ended_by   text             not null default '',
    end_reason text             not null default '',
    constraint holds_pk primary key (hold),
    constraint holds_class_known check (class in (1, 2)),
    constraint holds_recall_needs_another check (not recall or ended_at is null or ended_by <> placed_by)
);
create unique index holds_number on holds (number);

-- The lots a hold lies on, and those that quality took out of it.
create table hold_flags (
    hold           text collate "C" not null,
    lot            text collate "C" not null,
    excluded       boolean          not null default false,
    excluded_by    text             not null default '',
    exclude_reason text             not null default '',
    constraint hold_flags_pk primary key (lot, hold),
    constraint hold_flags_hold foreign key (hold) references holds (hold),
    constraint hold_flags_excluded_says_why check (not excluded or exclude_reason <> '')
);
create index hold_flags_of_hold on hold_flags (hold, lot);

-- Lots that a hold must still reach. While there are any of a hold that has not ended, it is spreading.
create table hold_frontier (
    hold text collate "C" not null,
    lot  text collate "C" not null,
    constraint hold_frontier_pk primary key (hold, lot)
);

create table dispositions (
    disposition text collate "C" not null,
    hold        text collate "C" not null,
    lot         text collate "C" not null,
    decision    smallint         not null,
    quantity    bigint           not null,
    spent       bigint           not null default 0,
    reason      text             not null,
    decided_by  text             not null,
    recorded    timestamptz      not null,
    constraint dispositions_pk primary key (disposition),
    constraint dispositions_hold foreign key (hold) references holds (hold),
    constraint dispositions_never_overspent check (spent >= 0 and spent <= quantity)
);
create index dispositions_lot on dispositions (lot);

grant select, insert, update on holds, hold_flags, dispositions to "@RUN_ROLE@";
grant select, insert, delete on hold_frontier to "@RUN_ROLE@";
