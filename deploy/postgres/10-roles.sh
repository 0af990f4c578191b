#!/bin/bash
# Runs once, on an empty cluster, by the Postgres image's entry point: a database for each service with two roles. The owner runs migrations; the
# run-time role serves, owns nothing, and may do what the migrations grant to it by its name. Passwords come from secret files.
set -euo pipefail
for service in intake inventory production; do
  password=$(<"/run/secrets/postgres_${service}")
  psql -v ON_ERROR_STOP=1 --username "$POSTGRES_USER" --dbname postgres \
    -v owner="huskline_${service}" -v run="huskline_${service}_run" -v password="$password" <<'SQL'
create role :"owner" login nosuperuser nocreatedb nocreaterole password :'password';
create role :"run" login nosuperuser nocreatedb nocreaterole password :'password';
create database :"owner" owner :"owner";
revoke all on database :"owner" from public;
grant connect on database :"owner" to :"run";
\connect :owner
revoke create on schema public from public;
grant all on schema public to :"owner";
SQL
done
