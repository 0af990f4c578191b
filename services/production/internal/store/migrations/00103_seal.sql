-- +goose Up

-- A row's seal is the SHA-256 of the row as text, set whenever the service's own roles write it: a row that was changed behind the service no longer
-- fits its seal, and verify names it. A seal decides nothing and refuses nothing. Events, what is kept of the others' and readings have hashes of
-- their own; cursors, balances and feeds are recomputed. The text is that under the settings of our connections. A column added later is under the
-- seals of rows written from then on.
-- +goose StatementBegin
create function seal_row() returns trigger language plpgsql as $$
begin
    new.seal := null;
    new.seal := sha256(convert_to(new::text, 'UTF8'));
    return new;
end
$$;
-- +goose StatementEnd

alter table commands add column seal bytea;
create trigger seal before insert or update on commands for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update commands set seal = null;

alter table intent_tries add column seal bytea;
create trigger seal before insert or update on intent_tries for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update intent_tries set seal = null;

alter table intent_ends add column seal bytea;
create trigger seal before insert or update on intent_ends for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update intent_ends set seal = null;

alter table epochs_ended add column seal bytea;
create trigger seal before insert or update on epochs_ended for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update epochs_ended set seal = null;

alter table taken_back add column seal bytea;
create trigger seal before insert or update on taken_back for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update taken_back set seal = null;

alter table witnesses add column seal bytea;
create trigger seal before insert or update on witnesses for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update witnesses set seal = null;

alter table quarantine add column seal bytea;
create trigger seal before insert or update on quarantine for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update quarantine set seal = null;

alter table access_tokens add column seal bytea;
create trigger seal before insert or update on access_tokens for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update access_tokens set seal = null;

alter table access_revocations add column seal bytea;
create trigger seal before insert or update on access_revocations for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update access_revocations set seal = null;

alter table database_copies add column seal bytea;
create trigger seal before insert or update on database_copies for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update database_copies set seal = null;

alter table kept_given add column seal bytea;
create trigger seal before insert or update on kept_given for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update kept_given set seal = null;

alter table rises_answered add column seal bytea;
create trigger seal before insert or update on rises_answered for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update rises_answered set seal = null;

alter table stages add column seal bytea;
create trigger seal before insert or update on stages for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update stages set seal = null;

alter table items add column seal bytea;
create trigger seal before insert or update on items for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update items set seal = null;

alter table item_prices add column seal bytea;
create trigger seal before insert or update on item_prices for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update item_prices set seal = null;

alter table lots add column seal bytea;
create trigger seal before insert or update on lots for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update lots set seal = null;

alter table runs add column seal bytea;
create trigger seal before insert or update on runs for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update runs set seal = null;

alter table run_codes add column seal bytea;
create trigger seal before insert or update on run_codes for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update run_codes set seal = null;

alter table run_lines add column seal bytea;
create trigger seal before insert or update on run_lines for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update run_lines set seal = null;

alter table run_contributions add column seal bytea;
create trigger seal before insert or update on run_contributions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update run_contributions set seal = null;

alter table charges add column seal bytea;
create trigger seal before insert or update on charges for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update charges set seal = null;
