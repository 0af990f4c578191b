-- +goose Up

-- What a feed tells of lateness, clocks and faults is in no reading and no event, so that it cannot be recomputed: its row is sealed.
select seal_table('scale_feeds');
