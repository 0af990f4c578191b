-- +goose Up

-- Sights of empty bins, also of those whose book held nothing any more and so has no leg of it.
create table emptyings (
    emptying  text collate "C" not null,
    lot       text collate "C" not null,
    place     text collate "C" not null,
    owner     text collate "C" not null,
    effective timestamptz      not null,
    recorded  timestamptz      not null,
    seal      bytea,
    constraint emptyings_pk primary key (emptying),
    constraint emptyings_lot foreign key (lot) references lots (lot)
);
create index emptyings_of on emptyings (lot, place);
create trigger seal before insert or update on emptyings for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();

-- Those of before that took something.
insert into emptyings (emptying, lot, place, owner, effective, recorded)
    select substr(fact, length('emptying/') + 1), lot, place, owner, effective, recorded from legs where fact like 'emptying/%' and lot is not null;
update emptyings set seal = null;

grant select, insert on emptyings to "@RUN_ROLE@";
