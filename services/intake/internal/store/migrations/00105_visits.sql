-- +goose Up

-- The last number given of each series of visits, tares, keyed weights and tickets.
create table numbers (
    series text collate "C" not null,
    number bigint           not null,
    constraint numbers_pk primary key (series)
);

-- Vehicles: the row names the version that stands; every version is kept. fact is a huskline.event.v1.VehicleChanged.
create table vehicles (
    plate   text collate "C" not null,
    version bigint           not null,
    constraint vehicles_pk primary key (plate)
) with (fillfactor = 80);
create table vehicle_versions (
    plate    text collate "C" not null,
    version  bigint           not null,
    fact     bytea            not null,
    recorded timestamptz      not null,
    constraint vehicle_versions_pk primary key (plate, version)
);

-- Visits of vehicles, with what follows from their facts.
create table visits (
    visit  bigint           not null,
    plate  text collate "C" not null,
    party  text collate "C" not null, -- as last confirmed
    opened timestamptz      not null,
    open   boolean          not null,
    constraint visits_pk primary key (visit)
) with (fillfactor = 80);
create unique index visits_open on visits (plate) where open;
create index visits_plate on visits (plate, visit desc);

-- Weighings: fact is a huskline.event.v1.VisitWeighed.
create table visit_weighings (
    visit    bigint      not null,
    number   bigint      not null,
    fact     bytea       not null,
    recorded timestamptz not null,
    constraint visit_weighings_pk primary key (visit, number)
);
-- Readings that belong to a weighing, each to one.
create table visit_readings (
    scale    text collate "C" not null,
    sequence bigint           not null,
    visit    bigint           not null,
    constraint visit_readings_pk primary key (scale, sequence)
);
-- Ends of visits: fact is a huskline.event.v1.VisitClosed.
create table visit_closings (
    visit    bigint      not null,
    fact     bytea       not null,
    recorded timestamptz not null,
    constraint visit_closings_pk primary key (visit)
);
-- Lots that lines of visits went into, by the versions that stand; empty: free again.
create table visit_uses (
    visit bigint           not null,
    line  bigint           not null,
    lot   text collate "C" not null,
    constraint visit_uses_pk primary key (visit, line)
) with (fillfactor = 80);
create index visit_uses_lot on visit_uses (lot) where lot <> '';

-- Stored tares: fact is a huskline.event.v1.TareStored.
create table tares (
    tare     bigint           not null,
    plate    text collate "C" not null,
    expires  timestamptz      not null,
    fact     bytea            not null,
    recorded timestamptz      not null,
    constraint tares_pk primary key (tare)
);
create index tares_plate on tares (plate, tare desc);

grant select, insert on vehicle_versions, visit_weighings, visit_readings, visit_closings, tares to "@RUN_ROLE@";
grant select, insert, update on numbers, vehicles, visits, visit_uses to "@RUN_ROLE@";
