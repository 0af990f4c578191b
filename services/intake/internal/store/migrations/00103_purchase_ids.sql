-- +goose Up

-- Ids of purchases that wait for the inventory, or that it has accepted: two may not be under way under one id.
create table purchase_ids (
    purchase text collate "C" not null,
    held_by  text             not null, -- the command; empty: refused, the id is free
    constraint purchase_ids_pk primary key (purchase)
);
grant select, insert, update on purchase_ids to "@RUN_ROLE@";
