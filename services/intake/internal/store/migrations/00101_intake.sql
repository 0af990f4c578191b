-- +goose Up

-- Parties: the row names the version that stands; every version is kept.
create table parties (
    party   text collate "C" not null,
    version bigint           not null,
    constraint parties_pk primary key (party)
) with (fillfactor = 80);
create table party_versions (
    party    text collate "C" not null,
    version  bigint           not null,
    name     text             not null,
    roles    smallint[]       not null,
    address  text             not null,
    phone    text             not null,
    recorded timestamptz      not null,
    constraint party_versions_pk primary key (party, version),
    constraint party_versions_roles_given check (cardinality(roles) > 0)
);

-- Items: what an item's lots count is for good; all else has versions, each in force from a time on.
create table items (
    item    text collate "C" not null,
    measure smallint         not null,
    version bigint           not null,
    constraint items_pk primary key (item),
    constraint items_measure_known check (measure in (1, 2))
) with (fillfactor = 80);
create table item_versions (
    item      text collate "C" not null,
    version   bigint           not null,
    effective timestamptz      not null,
    name      text             not null,
    kind      smallint         not null,
    split_off bigint,                    -- millionths per pound; null: no price
    unit      bigint           not null, -- micropounds of one piece; 0: none
    allergens text[]           not null,
    recorded  timestamptz      not null,
    constraint item_versions_pk primary key (item, version),
    constraint item_versions_figures check (split_off >= 0 and unit >= 0)
);
create index item_versions_effective on item_versions (item, effective desc, version desc);

-- Scales, and how they were before.
create table scales (
    scale_id   integer generated always as identity,
    scale      text collate "C" not null,
    version    bigint           not null,
    class      text             not null,
    capacity   bigint           not null, -- micropounds; 0: not known
    division   bigint           not null,
    place      text             not null,
    in_service boolean          not null,
    sealed     timestamptz,
    constraint scales_pk primary key (scale_id),
    constraint scales_code unique (scale),
    constraint scales_figures check (capacity >= 0 and division >= 0)
);
create table scale_versions (
    scale_id   integer     not null,
    version    bigint      not null,
    class      text        not null,
    capacity   bigint      not null,
    division   bigint      not null,
    place      text        not null,
    in_service boolean     not null,
    sealed     timestamptz,
    recorded   timestamptz not null,
    constraint scale_versions_pk primary key (scale_id, version)
);

-- The state of each scale's feed, derived from its readings. Number 0 counts the lines that named no known scale.
create table scale_feeds (
    scale_id  integer not null,
    watermark bigint  not null,
    lines     bigint  not null,
    stored    bigint  not null,
    conflicts bigint  not null,
    constraint scale_feeds_pk primary key (scale_id)
) with (fillfactor = 50);
insert into scale_feeds (scale_id, watermark, lines, stored, conflicts) values (0, 0, 0, 0, 0);

-- Readings as they were sent. hash is the first 16 bytes of the SHA-256 of the content, in the type that holds 16 bytes without a length.
create table readings (
    sequence    bigint      not null,
    time        timestamptz not null,
    micropounds bigint      not null,
    recorded    timestamptz not null,
    hash        uuid        not null,
    scale_id    integer     not null,
    kind        smallint    not null,
    historic    boolean     not null,
    unit        text        not null,
    digits      text        not null,
    reference   text        not null,
    constraint readings_pk primary key (scale_id, sequence),
    constraint readings_sequence_from_one check (sequence >= 1)
);
-- Readings whose number was taken by another content: shown, never counted.
create table readings_conflicts (
    sequence    bigint      not null,
    time        timestamptz not null,
    micropounds bigint      not null,
    recorded    timestamptz not null,
    hash        uuid        not null,
    scale_id    integer     not null,
    kind        smallint    not null,
    historic    boolean     not null,
    unit        text        not null,
    digits      text        not null,
    reference   text        not null,
    constraint readings_conflicts_pk primary key (scale_id, sequence, hash)
);

-- Lot codes that this service has born: none is ever used again.
create table codes (
    lot text collate "C" not null,
    constraint codes_pk primary key (lot)
);
-- The last number given to a lot of a year.
create table own_codes (
    year   integer not null,
    number bigint  not null,
    constraint own_codes_pk primary key (year)
);

-- Received lots: the row names the version that stands; every version is kept.
create table received (
    lot          text collate "C" not null,
    version      bigint           not null,
    party        text collate "C" not null,
    supplier_lot text collate "C" not null,
    effective    timestamptz      not null,
    held_by      text             not null, -- the command that waits for the inventory; empty: none
    bought       boolean          not null, -- title to the whole ticket passed to the company
    constraint received_pk primary key (lot),
    constraint received_code foreign key (lot) references codes (lot)
) with (fillfactor = 80);
create index received_party on received (party, lot);
create index received_alias on received (supplier_lot, party) where supplier_lot <> '';
create table received_versions (
    lot        text collate "C" not null,
    version    bigint           not null,
    voided     boolean          not null,
    command_id text             not null,
    reason     text             not null,
    pay        bigint           not null, -- micropounds or pieces paid for
    facts      bytea            not null, -- a huskline.event.v1.LotReceived
    recorded   timestamptz      not null,
    constraint received_versions_pk primary key (lot, version)
);
create table received_weighings (
    lot         text collate "C" not null,
    version     bigint           not null,
    number      integer          not null,
    kind        smallint         not null,
    scale       text             not null,
    sequence    bigint           not null,
    digits      text             not null,
    unit        text             not null,
    time        timestamptz,
    micropounds bigint           not null,
    constraint received_weighings_pk primary key (lot, version, number)
);

-- Final prices; a corrected delivery reckons them anew under its version.
create table settlements (
    settlement text collate "C" not null,
    version    bigint           not null,
    lot        text collate "C" not null,
    price      bigint           not null, -- millionths per pound or piece
    purchase   bigint           not null, -- millionths, to the cent
    effective  timestamptz      not null,
    recorded   timestamptz      not null,
    constraint settlements_pk primary key (settlement, version)
);
create index settlements_lot on settlements (lot, settlement, version desc);
-- Ids of final prices, each once.
create table settlement_ids (
    settlement text collate "C" not null,
    constraint settlement_ids_pk primary key (settlement)
);

create table purchases (
    purchase  text collate "C" not null,
    lot       text collate "C" not null,
    new_lot   text collate "C" not null,
    owner     text collate "C" not null,
    quantity  bigint           not null,
    price     bigint           not null, -- in all, millionths
    place     text             not null,
    effective timestamptz      not null,
    recorded  timestamptz      not null,
    constraint purchases_pk primary key (purchase)
);

-- Lots of owners that were made here, as the inventory told.
create table owned_lots (
    lot   text collate "C" not null,
    owner text collate "C" not null,
    constraint owned_lots_pk primary key (lot)
);

grant select, insert on party_versions, item_versions, scale_versions, readings, readings_conflicts, codes, received_versions, received_weighings,
    settlements, settlement_ids, purchases to "@RUN_ROLE@";
grant select, insert, update on parties, items, scales, scale_feeds, own_codes, received, owned_lots to "@RUN_ROLE@";
