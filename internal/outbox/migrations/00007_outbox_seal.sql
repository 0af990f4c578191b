-- +goose Up

select seal_table('epochs_ended');
select seal_table('taken_back');
