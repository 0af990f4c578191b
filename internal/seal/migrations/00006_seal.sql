-- +goose Up

-- A row's seal is the SHA-256 of the row as text, set whenever the service's own roles write it: a row that was changed behind the service no longer
-- fits its seal, and verify names it. A seal decides nothing and refuses nothing. Events, what is kept of the others' and readings have hashes of
-- their own; cursors, balances and feeds are recomputed. The text is that under the settings of our connections. A column added later is under the
-- seals of rows written from then on.
-- +goose StatementBegin
create function seal_row() returns trigger language plpgsql as $$
begin
    if current_user in ('@RUN_ROLE@', replace('@RUN_ROLE@', '_run', '')) then
        new.seal := null;
        new.seal := sha256(convert_to(new::text, 'UTF8'));
    end if;
    return new;
end
$$;

-- Gives a table its seals, at its end: set by a trigger, or with in_statement by each statement of the service that writes the table.
create function seal_table(name regclass, in_statement boolean default false) returns void language plpgsql as $$
begin
    execute format('alter table %s add column seal bytea', name);
    execute format('create trigger seal before insert or update on %s for each row execute function seal_row()', name);
    execute format('update %s set seal = null', name);
    if in_statement then
        execute format('drop trigger seal on %s', name);
    end if;
end
$$;
-- +goose StatementEnd
