-- +goose Up

-- Each statement that writes these brings the seal along.
select seal_table(t::regclass, true) from unnest(array[
    'lots', 'runs', 'run_lines', 'run_contributions', 'charges'
]) as t;

select seal_table(t::regclass) from unnest(array[
    'stages', 'items', 'item_prices', 'run_codes'
]) as t;
