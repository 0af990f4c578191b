-- +goose Up

select seal_table('database_copies');
select seal_table('kept_given');
select seal_table('rises_answered');
