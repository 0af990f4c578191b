-- +goose Up
create table access_tokens (
    token_id      text        not null,
    name          text        not null,
    roles         text[]      not null,
    secret_sha256 bytea       not null,
    issued        timestamptz not null,
    expires       timestamptz not null,
    constraint access_tokens_pk primary key (token_id),
    constraint access_tokens_secret_unique unique (secret_sha256),
    constraint access_tokens_secret_length check (length(secret_sha256) = 32),
    constraint access_tokens_roles_given check (cardinality(roles) > 0)
);
create table access_revocations (
    token_id text        not null,
    revoked  timestamptz not null,
    constraint access_revocations_pk primary key (token_id),
    constraint access_revocations_token foreign key (token_id) references access_tokens (token_id)
);
grant select, insert on access_tokens, access_revocations to "@RUN_ROLE@";
