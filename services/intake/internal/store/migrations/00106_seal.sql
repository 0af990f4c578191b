-- +goose Up

select seal_table(t::regclass) from unnest(array[
    'parties', 'party_versions', 'items', 'item_versions', 'scales', 'scale_versions', 'codes', 'own_codes', 'received',
    'received_versions', 'received_weighings', 'settlements', 'settlement_ids', 'purchases', 'purchase_ids', 'owned_lots', 'retold_batches',
    'readings_conflicts', 'numbers', 'reading_notes', 'tares', 'vehicle_versions', 'vehicles', 'visit_closings', 'visit_readings',
    'visit_uses', 'visit_weighings', 'visits'
]) as t;
