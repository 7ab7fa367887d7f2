-- A PostgreSQL role that may read the views of hissmark and nothing else: for Grafana, reports, people with SQL.
-- Run it as a superuser (or an owner that may make roles), once, after the service has started for the first time:
--
--   psql -v ON_ERROR_STOP=1 -d hissmark -f reader.sql
--
-- Then give it a password (\password hissmark_reader) or a rule in pg_hba.conf. It cannot write, cannot see the tables
-- behind the views (users, sessions and tokens among them), and a query that runs for a minute is ended.

CREATE ROLE hissmark_reader LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOINHERIT;
ALTER ROLE hissmark_reader SET default_transaction_read_only = on;
ALTER ROLE hissmark_reader SET statement_timeout = '60s';
ALTER ROLE hissmark_reader SET idle_in_transaction_session_timeout = '60s';
ALTER ROLE hissmark_reader CONNECTION LIMIT 10;

DO $$ BEGIN
    EXECUTE 'GRANT CONNECT ON DATABASE ' || quote_ident(current_database()) || ' TO hissmark_reader';
END $$;
GRANT USAGE ON SCHEMA public TO hissmark_reader;
GRANT SELECT ON
    hissmark_samples,
    hissmark_verdicts,
    hissmark_verdicts_now,
    hissmark_journal,
    hissmark_archive,
    hissmark_backfills
TO hissmark_reader;
