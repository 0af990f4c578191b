-- +goose Up

-- Checks of scales with test weights: facts. Arrays are load by load; figures in the unit of the check, as decimals.
create table scale_checks (
    check_id   text collate "C" not null,
    number     bigint generated always as identity,
    scale_id   integer          not null,
    kind       smallint         not null, -- 1 maintenance, 2 acceptance
    unit       text             not null,
    applied    text[]           not null,
    indicated  text[]           not null,
    errors     text[]           not null,
    tolerances text[]           not null,
    divisions  text[]           not null, -- of tolerance
    passes     boolean[]        not null,
    passed     boolean          not null,
    short      boolean          not null, -- of load
    effective  timestamptz      not null,
    recorded   timestamptz      not null,
    by_whom    text             not null,
    actor      text             not null,
    weights    text             not null,
    constraint scale_checks_pk primary key (check_id),
    constraint scale_checks_number unique (number),
    constraint scale_checks_kind_known check (kind in (1, 2))
);
create index scale_checks_effective on scale_checks (scale_id, effective);

-- A scale that a failed check took out of service comes back by a good one.
alter table scales add column out_by_check boolean not null default false;

-- What failed checks put in doubt, and what people decided about it.
create table correction_proposals (
    proposal   text collate "C" not null, -- the failed check
    number     bigint generated always as identity,
    scale_id   integer          not null,
    since      timestamptz,               -- the last good check; null: none
    until      timestamptz,               -- the next good check that was known; null: none
    failed     timestamptz      not null,
    readings   bigint           not null, -- when it was raised
    deliveries bigint           not null,
    recorded   timestamptz      not null,
    constraint correction_proposals_pk primary key (proposal),
    constraint correction_proposals_number unique (number)
);
create table correction_decisions (
    proposal text collate "C" not null,
    approve  boolean          not null,
    by_whom  text             not null,
    reason   text             not null,
    recorded timestamptz      not null,
    constraint correction_decisions_pk primary key (proposal)
);
-- Deliveries that a proposal named when it was raised (1) and when it was decided (2).
create table proposal_deliveries (
    proposal text collate "C" not null,
    stage    smallint         not null,
    lot      text collate "C" not null,
    version  bigint           not null,
    constraint proposal_deliveries_pk primary key (proposal, stage, lot),
    constraint proposal_deliveries_stage_known check (stage in (1, 2))
);

select seal_table('scale_checks');
select seal_table('correction_proposals');
select seal_table('correction_decisions');
select seal_table('proposal_deliveries');
grant select, insert on scale_checks, correction_proposals, correction_decisions, proposal_deliveries to "@RUN_ROLE@";
