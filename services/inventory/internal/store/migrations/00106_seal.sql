-- +goose Up

-- Inserts into these bring their seal along, see internal/seal.
select seal_table(t::regclass, true) from unnest(array[
    'claims', 'lots', 'facts', 'legs', 'runs', 'run_lines', 'edges', 'movement_tries', 'shipments', 'shipment_lines'
]) as t;

select seal_table(t::regclass) from unnest(array[
    'own_codes', 'contributions', 'containers', 'places', 'reasons', 'items', 'parties', 'holds', 'hold_flags', 'dispositions',
    'count_sheets', 'count_books', 'count_entries'
]) as t;
