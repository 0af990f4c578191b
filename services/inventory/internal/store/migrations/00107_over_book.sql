-- +goose Up

-- Of a bin: how many micropounds the draws of one bin lot may go over its book there, all together.
alter table places add column over_book bigint not null default 0;
alter table places add constraint places_over_book_of_bin check (over_book = 0 or bin and over_book > 0);
update places set seal = null; -- sealed anew, with the column
