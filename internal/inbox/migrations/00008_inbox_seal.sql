-- +goose Up

select seal_table('witnesses');
select seal_table('quarantine');
