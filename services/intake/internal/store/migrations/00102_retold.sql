-- +goose Up

-- Batches of readings that were stored again after the database had gone back to an earlier moment: their lines are counted once.
create table retold_batches (
    command_id uuid        not null,
    recorded   timestamptz not null,
    constraint retold_batches_pk primary key (command_id)
);
grant select, insert on retold_batches to "@RUN_ROLE@";
