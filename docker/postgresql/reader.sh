#!/bin/sh
# Makes the role hissmark_reader of ../deploy/postgresql/reader.sql if it is not there, and gives it its password.
set -eu
PGPASSWORD=$(cat "${SECRETS:-/run/secrets}/database_password")
export PGPASSWORD
if [ "$(psql -Atqc "SELECT count(*) FROM pg_roles WHERE rolname = 'hissmark_reader'")" = 0 ]; then
    psql -q -v ON_ERROR_STOP=1 -f "${READER_SQL:-/reader.sql}"
fi
# By standard input, so that the password is in no list of processes.
password=$(cat "${SECRETS:-/run/secrets}/reader_password")
printf "ALTER ROLE hissmark_reader PASSWORD '%s';\n" "$password" | psql -q -v ON_ERROR_STOP=1
