-- Two roles and the database, for a service that owns nothing. Run it once as a superuser:
--
--   psql -v ON_ERROR_STOP=1 -d postgres -f owner.sql
--
--   hissmark_owner   owns database and tables; makes and alters them (`hissmark migrate SITE`), nothing else runs as it
--   hissmark_writer  the service: what it may is in writer.sql
--
-- Give both a password (\password) or a rule in pg_hba.conf.

CREATE ROLE hissmark_owner LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOINHERIT;
CREATE ROLE hissmark_writer LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE NOREPLICATION NOINHERIT;
ALTER ROLE hissmark_writer SET synchronous_commit = on;

CREATE DATABASE hissmark OWNER hissmark_owner ENCODING 'UTF8' TEMPLATE template0;
REVOKE ALL ON DATABASE hissmark FROM PUBLIC;
GRANT CONNECT, TEMPORARY ON DATABASE hissmark TO hissmark_writer;

\connect hissmark
REVOKE ALL ON SCHEMA public FROM PUBLIC;
GRANT ALL ON SCHEMA public TO hissmark_owner;
GRANT USAGE ON SCHEMA public TO hissmark_writer;
