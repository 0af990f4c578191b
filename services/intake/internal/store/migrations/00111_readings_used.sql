-- +goose Up

-- Finds the deliveries that name a reading.
create index received_weighings_reading on received_weighings (scale collate "C", sequence) where sequence <> 0;
