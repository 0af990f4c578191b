-- +goose Up

-- What a feed tells of lateness, clocks and faults is in no reading and no event, so that it cannot be recomputed: its row is sealed.
alter table scale_feeds add column seal bytea;
create trigger seal before insert or update on scale_feeds for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update scale_feeds set seal = null;
