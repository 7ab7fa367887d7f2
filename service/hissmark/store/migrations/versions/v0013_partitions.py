"""PostgreSQL: a part of `samples` for each UTC day, so that a day goes as a whole. SQLite stays as it is.

What is stored already becomes one part, `samples_before`: its rows are read once (they have to lie below its
end), none is written again but those with a time after today. About a second for four million rows; it
is emptied day by day and then dropped.
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from hissmark.store.views import statements

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_DAY_US = 86_400_000_000

# Waiting for a lock keeps everybody waiting who comes after: better give up soon and try again. Shorter
# than deadlock_timeout (1 s), so that in a knot it is these that give way and never intake.
_WAIT = "300ms"

_ADD = """
CREATE FUNCTION hissmark_add_samples_day(day_us bigint) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = {schema}, pg_temp SET lock_timeout = '{wait}' AS $$
DECLARE
    part text := 'samples_' || to_char(to_timestamp(day_us / 1000000) AT TIME ZONE 'UTC', 'YYYYMMDD');
    moved bigint;
BEGIN
    IF day_us < 0 OR day_us % {day_us} <> 0 OR day_us > 253402214400000000 THEN
        RAISE EXCEPTION 'not the start of a day: %', day_us USING ERRCODE = 'invalid_parameter_value';
    END IF;
    LOCK TABLE samples IN SHARE UPDATE EXCLUSIVE MODE;
    LOCK TABLE samples_rest IN ACCESS EXCLUSIVE MODE;
    IF to_regclass(quote_ident(part)) IS NOT NULL THEN
        RETURN 0;
    END IF;
    EXECUTE format('CREATE TABLE %I (LIKE samples INCLUDING ALL)', part);
    EXECUTE format(
        'WITH moved AS (DELETE FROM samples_rest WHERE time_us >= %s AND time_us < %s RETURNING *) '
        'INSERT INTO %I (time_us, series_id, value, flags) '
        'SELECT time_us, series_id, value, flags FROM moved',
        day_us, day_us + {day_us}, part);
    GET DIAGNOSTICS moved = ROW_COUNT;
    EXECUTE format('ALTER TABLE samples ATTACH PARTITION %I FOR VALUES FROM (%s) TO (%s)',
        part, day_us, day_us + {day_us});
    RETURN moved;
END $$
"""

# NULL: it was not dropped, because it holds another number of rows than whoever asks knows of.
_DROP = """
CREATE FUNCTION hissmark_drop_samples(part text, known_rows bigint) RETURNS bigint
LANGUAGE plpgsql SECURITY DEFINER SET search_path = {schema}, pg_temp SET lock_timeout = '{wait}' AS $$
DECLARE
    held bigint;
BEGIN
    IF part = 'samples_rest' OR NOT EXISTS (
        SELECT FROM pg_inherits
        WHERE inhparent = 'samples'::regclass AND inhrelid = to_regclass(quote_ident(part))
    ) THEN
        RAISE EXCEPTION 'not a part of samples: %', part USING ERRCODE = 'invalid_parameter_value';
    END IF;
    EXECUTE format('LOCK TABLE %I IN SHARE MODE', part);
    EXECUTE format('SELECT count(*) FROM %I', part) INTO held;
    IF held <> known_rows THEN
        RETURN NULL;
    END IF;
    EXECUTE format('DROP TABLE %I', part);
    RETURN held;
END $$
"""

# Its owner alone may do that.
_ANALYZE = """
CREATE FUNCTION hissmark_analyze_samples() RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = {schema}, pg_temp AS $$ BEGIN ANALYZE samples; END $$
"""
_FUNCTIONS = (
    "hissmark_add_samples_day(bigint)",
    "hissmark_drop_samples(text, bigint)",
    "hissmark_analyze_samples()",
)


def upgrade() -> None:
    bind = op.get_bind()
    if bind.dialect.name != "postgresql":
        return
    _partition(bind)
    schema = bind.exec_driver_sql("SELECT quote_ident(current_schema())").scalar_one()
    for text in (_ADD, _DROP, _ANALYZE):
        # The driver takes a single % for a parameter.
        bind.exec_driver_sql(text.format(schema=schema, wait=_WAIT, day_us=_DAY_US).replace("%", "%%"))
    for name in _FUNCTIONS:
        bind.exec_driver_sql(f"REVOKE ALL ON FUNCTION {name} FROM PUBLIC")


def _partition(bind: sa.Connection) -> None:
    now_us = bind.exec_driver_sql("SELECT floor(extract(epoch FROM now()))::bigint * 1000000").scalar_one()
    end_us = (int(now_us) // _DAY_US + 1) * _DAY_US
    view = next(text for text in statements("postgresql") if text.startswith("CREATE VIEW hissmark_samples "))
    for statement in (
        "ALTER TABLE samples RENAME TO samples_before",
        "ALTER INDEX samples_pkey RENAME TO samples_before_pkey",
        "CREATE TABLE samples (time_us bigint NOT NULL, series_id integer NOT NULL, "
        "value double precision NOT NULL, flags smallint NOT NULL, "
        "CONSTRAINT samples_pkey PRIMARY KEY (time_us, series_id)) PARTITION BY RANGE (time_us)",
        "CREATE TABLE samples_rest PARTITION OF samples DEFAULT",
        f"WITH moved AS (DELETE FROM samples_before WHERE time_us >= {end_us} RETURNING *) "  # noqa: S608
        "INSERT INTO samples SELECT time_us, series_id, value, flags FROM moved",
        # Replaced, not made anew: who may read it stays.
        view.replace("CREATE VIEW", "CREATE OR REPLACE VIEW", 1),
    ):
        bind.exec_driver_sql(statement)
    if bind.exec_driver_sql("SELECT EXISTS (SELECT FROM samples_before)").scalar_one():
        bind.exec_driver_sql(
            f"ALTER TABLE samples ATTACH PARTITION samples_before FOR VALUES FROM (MINVALUE) TO ({end_us})"
        )
    else:
        bind.exec_driver_sql("DROP TABLE samples_before")


def downgrade() -> None:
    raise RuntimeError("restore a backup instead: a downgrade would drop what is on record")
