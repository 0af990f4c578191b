-- +goose Up

create table shipments (
    shipment   text collate "C" not null,
    kind       smallint         not null,
    consignee  text collate "C" not null,
    channel    text             not null,
    carrier    text             not null,
    document   text             not null,
    freight    bigint           not null, -- millionths
    effective  timestamptz      not null,
    recorded   timestamptz      not null,
    constraint shipments_pk primary key (shipment),
    constraint shipments_kind_known check (kind in (1, 2, 3))
);

create table shipment_lines (
    shipment text collate "C" not null,
    line     bigint           not null,
    lot      text collate "C" not null,
    quantity bigint           not null,
    place    text collate "C" not null,
    price    bigint,                    -- millionths per pound or piece; null: not invoiced here
    returned bigint           not null,
    constraint shipment_lines_pk primary key (shipment, line),
    constraint shipment_lines_shipment foreign key (shipment) references shipments (shipment),
    constraint shipment_lines_never_more_back check (returned >= 0 and returned <= quantity)
);

create table count_sheets (
    sheet     text collate "C" not null,
    place     text collate "C" not null,
    effective timestamptz      not null,
    opened_by text             not null,
    recorded  timestamptz      not null,
    closed_at timestamptz,
    closed_by text             not null default '',
    constraint count_sheets_pk primary key (sheet)
);

-- The book as it stood at the frozen position; never shown while the count is open.
create table count_books (
    sheet text collate "C" not null,
    lot   text collate "C" not null,
    book  bigint           not null,
    constraint count_books_pk primary key (sheet, lot),
    constraint count_books_sheet foreign key (sheet) references count_sheets (sheet)
);

create table count_entries (
    sheet      text collate "C" not null,
    lot        text collate "C" not null,
    counted_by text             not null,
    counted    bigint           not null,
    recorded   timestamptz      not null,
    number     bigint           not null generated always as identity,
    constraint count_entries_pk primary key (sheet, lot, counted_by),
    constraint count_entries_sheet foreign key (sheet) references count_sheets (sheet),
    constraint count_entries_not_below_zero check (counted >= 0)
);

grant select, insert on shipments, count_books, count_entries to "@RUN_ROLE@";
grant select, insert, update on shipment_lines, count_sheets to "@RUN_ROLE@";
