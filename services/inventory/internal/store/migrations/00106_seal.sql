-- +goose Up

-- Each statement that writes these brings the seal along.
select seal_table(t::regclass, true) from unnest(array[
    'claims', 'lots', 'facts', 'legs', 'runs', 'run_lines', 'edges', 'movement_tries', 'shipments', 'shipment_lines', 'items', 'parties'
]) as t;

select seal_table(t::regclass) from unnest(array[
    'own_codes', 'contributions', 'containers', 'places', 'reasons', 'holds', 'hold_flags', 'dispositions', 'count_sheets', 'count_books',
    'count_entries'
]) as t;
