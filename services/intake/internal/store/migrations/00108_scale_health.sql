-- +goose Up

-- How each feed does. Live readings alone tell how late and how many; anything that came tells that the scale is heard.
alter table scale_feeds
    add column highest       bigint not null default 0, -- sequence stored
    add column newest        timestamptz,               -- time of the newest live reading whose time is not doubtful
    add column heard         timestamptz,               -- when something live came last
    add column late_micros   bigint,                    -- how long the newest live reading of the last batch had waited
    add column offset_micros bigint,                    -- what the sender's clock was ahead when it last told
    add column refused       bigint not null default 0,
    add column hour          timestamptz,               -- the last hour in which live readings were stored
    add column in_hour       bigint not null default 0,
    add column hour_before   bigint not null default 0;
update scale_feeds f set highest = coalesce((select max(sequence) from readings r where r.scale_id = f.scale_id), 0);

-- The last few readings of each scale that were refused or are in conflict, newest first.
create table scale_faults (
    scale_id  integer       not null,
    times     timestamptz[] not null,
    sequences bigint[]      not null,
    reasons   text[]        not null,
    messages  text[]        not null,
    constraint scale_faults_pk primary key (scale_id)
) with (fillfactor = 50);
select seal_table('scale_faults');
grant select, insert, update on scale_faults to "@RUN_ROLE@";
