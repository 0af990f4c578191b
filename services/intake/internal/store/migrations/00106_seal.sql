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

alter table parties add column seal bytea;
create trigger seal before insert or update on parties for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update parties set seal = null;

alter table party_versions add column seal bytea;
create trigger seal before insert or update on party_versions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update party_versions set seal = null;

alter table items add column seal bytea;
create trigger seal before insert or update on items for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update items set seal = null;

alter table item_versions add column seal bytea;
create trigger seal before insert or update on item_versions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update item_versions set seal = null;

alter table scales add column seal bytea;
create trigger seal before insert or update on scales for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update scales set seal = null;

alter table scale_versions add column seal bytea;
create trigger seal before insert or update on scale_versions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update scale_versions set seal = null;

alter table codes add column seal bytea;
create trigger seal before insert or update on codes for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update codes set seal = null;

alter table own_codes add column seal bytea;
create trigger seal before insert or update on own_codes for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update own_codes set seal = null;

alter table received add column seal bytea;
create trigger seal before insert or update on received for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update received set seal = null;

alter table received_versions add column seal bytea;
create trigger seal before insert or update on received_versions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update received_versions set seal = null;

alter table received_weighings add column seal bytea;
create trigger seal before insert or update on received_weighings for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update received_weighings set seal = null;

alter table settlements add column seal bytea;
create trigger seal before insert or update on settlements for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update settlements set seal = null;

alter table settlement_ids add column seal bytea;
create trigger seal before insert or update on settlement_ids for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update settlement_ids set seal = null;

alter table purchases add column seal bytea;
create trigger seal before insert or update on purchases for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update purchases set seal = null;

alter table purchase_ids add column seal bytea;
create trigger seal before insert or update on purchase_ids for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update purchase_ids set seal = null;

alter table owned_lots add column seal bytea;
create trigger seal before insert or update on owned_lots for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update owned_lots set seal = null;

alter table retold_batches add column seal bytea;
create trigger seal before insert or update on retold_batches for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update retold_batches set seal = null;

alter table readings_conflicts add column seal bytea;
create trigger seal before insert or update on readings_conflicts for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update readings_conflicts set seal = null;

alter table numbers add column seal bytea;
create trigger seal before insert or update on numbers for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update numbers set seal = null;

alter table reading_notes add column seal bytea;
create trigger seal before insert or update on reading_notes for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update reading_notes set seal = null;

alter table tares add column seal bytea;
create trigger seal before insert or update on tares for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update tares set seal = null;

alter table vehicle_versions add column seal bytea;
create trigger seal before insert or update on vehicle_versions for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update vehicle_versions set seal = null;

alter table vehicles add column seal bytea;
create trigger seal before insert or update on vehicles for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update vehicles set seal = null;

alter table visit_closings add column seal bytea;
create trigger seal before insert or update on visit_closings for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update visit_closings set seal = null;

alter table visit_readings add column seal bytea;
create trigger seal before insert or update on visit_readings for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update visit_readings set seal = null;

alter table visit_uses add column seal bytea;
create trigger seal before insert or update on visit_uses for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update visit_uses set seal = null;

alter table visit_weighings add column seal bytea;
create trigger seal before insert or update on visit_weighings for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update visit_weighings set seal = null;

alter table visits add column seal bytea;
create trigger seal before insert or update on visits for each row
    when (current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', ''))) execute function seal_row();
update visits set seal = null;
