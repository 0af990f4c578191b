-- +goose Up

create table stages (
    stage text not null,
    name  text not null,
    constraint stages_pk primary key (stage),
    constraint stages_code check (stage <> '')
);
insert into stages (stage, name) values
    ('condition', 'Condition'), ('clean', 'Clean'), ('size', 'Size'), ('crack', 'Crack'), ('shell', 'Shell'), ('sort', 'Sort'),
    ('blend', 'Blend'), ('dry', 'Dry'), ('cook', 'Cook'), ('pack', 'Pack');

-- What the others said of items and lots: a cache of their events, which can be made anew from the inbox.
create table items (
    item    text     not null,
    measure smallint not null,
    constraint items_pk primary key (item)
);
create table item_prices (
    item       text        not null,
    effective  timestamptz not null,
    epoch      bigint      not null,
    position   bigint      not null,
    price      bigint,
    constraint item_prices_pk primary key (item, effective, epoch, position),
    constraint item_prices_item foreign key (item) references items (item)
);
create table lots (
    lot     text     not null,
    item    text     not null,
    measure smallint not null,
    owner   text     not null,
    constraint lots_pk primary key (lot)
);

create table runs (
    run         text        not null,
    stage       text        not null,
    line        text        not null,
    recipe      text        not null,
    owner       text        not null,
    started     timestamptz not null,
    ended       timestamptz,
    version     bigint      not null,
    phase       text        not null,
    held_by     text        not null,
    input       bigint      not null,
    output      bigint      not null,
    gain_reason text        not null,
    next_line   bigint      not null,
    constraint runs_pk primary key (run),
    constraint runs_phase check (phase in ('recording', 'refused', 'open', 'completing', 'complete', 'correcting')),
    constraint runs_version check (version >= 1),
    constraint runs_held check ((held_by <> '') = (phase in ('recording', 'completing', 'correcting'))),
    constraint runs_ended check (ended is not null or phase = 'open'),
    constraint runs_gain check (phase <> 'complete' or output <= input or gain_reason <> '')
);
create index runs_held on runs (held_by) where held_by <> '';
create table run_codes (
    year   bigint not null,
    next_n bigint not null,
    constraint run_codes_pk primary key (year)
);

-- Lines of each version of a run, as the inventory accepted them.
create table run_lines (
    run          text        not null,
    version      bigint      not null,
    is_output    boolean     not null,
    line         bigint      not null,
    lot          text        not null,
    item         text        not null,
    measure      smallint    not null,
    quantity     bigint      not null,
    role         smallint    not null,
    place        text        not null,
    happened     timestamptz not null,
    began        timestamptz,
    finished     timestamptz,
    moisture_ppm bigint      not null,
    constraint run_lines_pk primary key (run, version, is_output, line),
    constraint run_lines_run foreign key (run) references runs (run),
    constraint run_lines_quantity check (quantity > 0)
);
create table run_contributions (
    run      text   not null,
    version  bigint not null,
    input    text   not null,
    output   text   not null,
    quantity bigint not null,
    constraint run_contributions_pk primary key (run, version, input, output),
    constraint run_contributions_run foreign key (run) references runs (run),
    constraint run_contributions_quantity check (quantity > 0)
);

create table charges (
    charge           text        not null,
    kind             smallint    not null,
    hours_millionths bigint      not null,
    rate             bigint      not null,
    amount           bigint      not null,
    replaces         text        not null,
    replaced_by      text        not null,
    effective        timestamptz not null,
    phase            text        not null,
    held_by          text        not null,
    runs             text[]      not null,
    constraint charges_pk primary key (charge),
    constraint charges_phase check (phase in ('reserved', 'posted', 'refused')),
    constraint charges_kind check (kind between 1 and 3),
    constraint charges_runs check (cardinality(runs) > 0),
    constraint charges_not_below_zero check (amount >= 0 and hours_millionths >= 0 and rate >= 0)
);
create index charges_by_run on charges using gin (runs);
create index charges_reserved on charges (held_by) where phase = 'reserved';

grant select, insert, update on stages, items, lots, runs, run_codes, charges to "@RUN_ROLE@";
grant select, insert on item_prices, run_lines, run_contributions to "@RUN_ROLE@";
