-- +goose Up

select seal_table('commands', true);
select seal_table('intent_tries', true);
select seal_table('intent_ends', true);
