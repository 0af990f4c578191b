-- +goose Up

-- Lot codes with who claimed them: for good.
create table claims (
    lot      text collate "C" not null,
    claimant text             not null,
    recorded timestamptz      not null,
    constraint claims_pk primary key (lot),
    constraint claims_claimant_given check (claimant <> '')
);

-- The last number given to lots of inventory's own.
create table own_codes (
    year   integer not null,
    number bigint  not null,
    constraint own_codes_pk primary key (year)
);

-- What a lot is now; how it came to be so stands in the legs.
create table lots (
    lot       text collate "C" not null,
    item      text collate "C" not null,
    measure   smallint         not null,
    owner     text collate "C" not null, -- empty: the company
    ownership smallint         not null,
    source    text             not null,
    maker     text collate "C" not null, -- run, shipment or lot; empty for what came in at the gate
    party     text collate "C" not null,
    made      bigint           not null,
    born      timestamptz      not null,
    version   bigint           not null,
    voided    boolean          not null,
    frozen    timestamptz,               -- of a bin lot: since when nothing is poured into it
    constraint lots_pk primary key (lot),
    constraint lots_claim foreign key (lot) references claims (lot),
    constraint lots_measure_known check (measure in (1, 2)),
    constraint lots_ownership_known check (ownership in (1, 2, 3)),
    constraint lots_made_not_below_zero check (made >= 0),
    constraint lots_made_unless_voided check (made > 0 or voided),
    constraint lots_version_from_one check (version >= 1),
    constraint lots_source_known check (source in ('delivery', 'ingredient', 'run', 'pour', 'return', 'purchase'))
) with (fillfactor = 80);
create index lots_item on lots (item, lot);

-- Natural keys of facts that are told once.
create table facts (
    fact     text collate "C" not null,
    movement text             not null,
    recorded timestamptz      not null,
    constraint facts_pk primary key (fact)
);

-- The ledger. Every movement's legs add up to zero, in pounds and in pieces.
create table legs (
    movement    text             not null,
    number      integer          not null,
    fact        text collate "C" not null,
    lot         text collate "C",          -- null: a leg of an account
    place       text collate "C" not null,
    owner       text collate "C" not null,
    account     text             not null, -- empty: a leg of a lot
    measure     smallint         not null,
    quantity    bigint           not null, -- signed micropounds or pieces
    effective   timestamptz      not null,
    key_order   smallint         not null, -- twice the rank, and one more for what draws
    key_name    text collate "C" not null,
    recorded    timestamptz      not null,
    constraint legs_pk primary key (movement, number),
    constraint legs_lot_or_account check ((lot is null) <> (account = '')),
    constraint legs_not_nothing check (quantity <> 0),
    constraint legs_measure_known check (measure in (1, 2))
);
create index legs_lot on legs (lot, effective) where lot is not null;
create index legs_fact on legs (fact);

-- What lies where. Derived from the legs; nothing is ever below zero.
create table balances (
    lot          text collate "C" not null,
    place        text collate "C" not null,
    owner        text collate "C" not null,
    quantity     bigint           not null,
    latest       timestamptz      not null, -- key of the latest leg
    latest_order smallint         not null,
    latest_name  text collate "C" not null,
    constraint balances_pk primary key (lot, place, owner),
    constraint balances_lot foreign key (lot) references lots (lot),
    constraint balances_never_below_zero check (quantity >= 0)
) with (fillfactor = 80);
create index balances_place on balances (place, lot) where quantity > 0;

create table runs (
    run     text collate "C" not null,
    version bigint           not null, -- 0: locked by its first posting
    stage   text             not null,
    owner   text collate "C" not null,
    final   boolean          not null,
    constraint runs_pk primary key (run),
    constraint runs_version_from_zero check (version >= 0)
);

create table run_lines (
    run      text collate "C" not null,
    version  bigint           not null,
    output   boolean          not null,
    line     bigint           not null,
    lot      text collate "C" not null,
    role     smallint         not null, -- of an output; 0 for an input
    measure  smallint         not null,
    quantity bigint           not null,
    constraint run_lines_pk primary key (run, version, output, line),
    constraint run_lines_above_zero check (quantity > 0)
);

-- Which input went into which output, for the newest version of runs that say so.
create table contributions (
    run      text collate "C" not null,
    input    text collate "C" not null,
    output   text collate "C" not null,
    quantity bigint           not null,
    constraint contributions_pk primary key (run, output, input),
    constraint contributions_above_zero check (quantity > 0)
);

-- What came from what, as it stands: lots and runs (a run's node begins with a blank, which no lot's code has).
create table edges (
    parent text collate "C" not null,
    child  text collate "C" not null,
    fact   text collate "C" not null,
    constraint edges_pk primary key (parent, child, fact)
);
create index edges_child on edges (child, parent);
create index edges_fact on edges (fact);

-- Who looks whether something is made from itself waits for the others who do.
create table loop_gate (
    only_row boolean not null default true,
    constraint loop_gate_pk primary key (only_row),
    constraint loop_gate_one_row check (only_row)
);
insert into loop_gate default values;

create table places (
    place text collate "C" not null,
    name  text             not null,
    bin   boolean          not null,
    constraint places_pk primary key (place)
);

create table reasons (
    reason      text collate "C" not null,
    account     text             not null,
    writes_off  boolean          not null,
    unaccounted boolean          not null,
    constraint reasons_pk primary key (reason),
    constraint reasons_account_given check (account <> '')
);
insert into reasons (reason, account, writes_off, unaccounted) values
    ('moisture',   'moisture',   false, false),
    ('damage',     'damage',     true,  false),
    ('count',      'count',      true,  true),
    ('sample',     'sample',     true,  false),
    ('overfill',   'overfill',   true,  false),
    ('given-away', 'given-away', true,  false),
    ('destroyed',  'destroyed',  true,  false),
    ('receiving',  'receiving',  true,  false);

-- What intake told of items and parties; the newest by effective time stands.
create table items (
    item      text collate "C" not null,
    kind      smallint         not null,
    measure   smallint         not null,
    effective timestamptz      not null,
    constraint items_pk primary key (item)
);
create table parties (
    party     text collate "C" not null,
    effective timestamptz      not null,
    constraint parties_pk primary key (party)
);

-- How each try of a movement ended: accepted, or refused with what was said.
create table movement_tries (
    command_id uuid        not null,
    try        bigint      not null,
    accepted   boolean     not null,
    kind       smallint    not null,
    reason     text        not null,
    detail     text        not null,
    recorded   timestamptz not null,
    constraint movement_tries_pk primary key (command_id, try),
    constraint movement_tries_refusal_says_why check (accepted or reason <> '')
);

grant select, insert on claims, facts, legs, run_lines, movement_tries to "@RUN_ROLE@";
grant select, insert, update on own_codes, lots, balances, runs, places, reasons, items, parties to "@RUN_ROLE@";
grant select, insert, delete on edges, contributions to "@RUN_ROLE@";
grant select, update on loop_gate to "@RUN_ROLE@";
