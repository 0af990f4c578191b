-- +goose Up

-- Sights of empty bins, also of those whose book held nothing any more and so has no leg of it.
create table emptyings (
    emptying  text collate "C" not null,
    lot       text collate "C" not null,
    place     text collate "C" not null,
    owner     text collate "C" not null,
    effective timestamptz      not null,
    recorded  timestamptz      not null,
    constraint emptyings_pk primary key (emptying),
    constraint emptyings_lot foreign key (lot) references lots (lot)
);
create index emptyings_of on emptyings (lot, place);

-- Those of before that took something.
insert into emptyings (emptying, lot, place, owner, effective, recorded)
    select substr(fact, length('emptying/') + 1), lot, place, owner, effective, recorded from legs where fact like 'emptying/%' and lot is not null;
select seal_table('emptyings');

grant select, insert on emptyings to "@RUN_ROLE@";
