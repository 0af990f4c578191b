-- +goose Up

-- An index whose condition names the quantity makes every movement write all indexes of the table anew.
drop index balances_place;
create index balances_place on balances (place, lot);
