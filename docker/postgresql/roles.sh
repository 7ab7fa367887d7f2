#!/bin/sh
# The database and its roles, by the files of ../../deploy/postgresql. `roles.sh make`: before the tables are made.
# `roles.sh grant`: after they were made or altered. Both may be run again, and give the passwords that the secrets
# then hold.
set -eu
secret() { cat "${SECRETS:-/run/secrets}/$1"; }
files=${ROLES:-/roles}
sql() { psql -q -v ON_ERROR_STOP=1 "$@"; }
missing() { [ "$(psql -Atqc "SELECT count(*) FROM pg_roles WHERE rolname = '$1'" -d postgres)" = 0 ]; }
# By standard input, so that the password is in no list of processes.
give() { printf "ALTER ROLE %s PASSWORD '%s';\n" "$1" "$(secret "$2")" | sql -d postgres; }

PGPASSWORD=$(secret database_password)
export PGPASSWORD
case ${1:-} in
make)
    if missing hissmark_owner; then sql -d postgres -f "$files/owner.sql"; fi
    give hissmark_owner owner_password
    give hissmark_writer writer_password
    ;;
grant)
    if missing hissmark_reader; then sql -d hissmark -f "$files/reader.sql"; fi
    give hissmark_reader reader_password
    PGPASSWORD=$(secret owner_password) sql -d hissmark -U hissmark_owner -f "$files/writer.sql"
    ;;
*)
    echo "usage: roles.sh make|grant" >&2
    exit 2
    ;;
esac
