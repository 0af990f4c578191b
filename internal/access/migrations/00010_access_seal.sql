-- +goose Up

select seal_table('access_tokens');
select seal_table('access_revocations');
