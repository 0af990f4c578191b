-- +goose Up

-- Each statement that writes these brings the seal along.
select seal_table(t::regclass, true) from unnest(array[
    'parties', 'party_versions', 'items', 'item_versions', 'codes', 'received', 'received_versions', 'received_weighings', 'settlements',
    'settlement_ids', 'owned_lots'
]) as t;

-- What a feed tells of lateness, clocks and faults is in no reading and no event, so that it cannot be recomputed.
select seal_table(t::regclass) from unnest(array[
    'scales', 'scale_versions', 'scale_feeds', 'own_codes', 'purchases', 'purchase_ids', 'retold_batches', 'readings_conflicts', 'numbers',
    'reading_notes', 'tares', 'vehicle_versions', 'vehicles', 'visit_closings', 'visit_readings', 'visit_uses', 'visit_weighings', 'visits'
]) as t;
