"""PostgreSQL with roles of least privilege: the owner makes the tables, the service may what it needs."""

from __future__ import annotations

import os
import re
import subprocess
import tomllib
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import psycopg
import pytest
import sqlalchemy as sa
import yaml

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.store import StoreError, Writer, open_for_reading, open_store, partitions, retention
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.archive.place import Folder
from hissmark.store.archive.seal import Sealer
from hissmark.store.open import VERSION_TABLE
from hissmark.store.reader import Reader
from hissmark.store.schema import metadata
from support import panel
from support.broker import Broker
from support.postgres import Postgres, find_program
from support.publish import Gateway
from support.sealing import D0, GROUPS, KINDS, NAMES, days
from support.service import Service, cli, write_site

ROLES = Path(__file__).parents[2] / "deploy" / "postgresql"
DOCKER = Path(__file__).parents[2] / "docker"
RIGHTS = (ROLES / "writer.sql").read_text("utf-8")


class Database:
    """The database that the shipped files make, and its addresses for either role."""

    def __init__(self, server: Postgres) -> None:
        self._server = server

    def psql(self, file: str, user: str, database: str) -> None:
        command = [str(find_program("psql")), "-q", "-v", "ON_ERROR_STOP=1", "-h", self._server.host]
        command += ["-p", str(self._server.port), "-U", user, "-d", database, "-f", str(ROLES / file)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr

    def url(self, role: str) -> str:
        return f"postgresql+psycopg://{role}@{self._server.host}:{self._server.port}/hissmark"

    def migrated(self, folder: Path) -> None:
        open_store(self.url("hissmark_owner"), folder).dispose()
        self.psql("writer.sql", "hissmark_owner", "hissmark")


@pytest.fixture
def database(postgres: Postgres) -> Iterator[Database]:
    """As a superuser makes it with `owner.sql`; nothing is in it yet."""
    made = Database(postgres)
    made.psql("owner.sql", postgres.user, "postgres")
    yield made
    postgres.drop_database("hissmark")
    postgres.execute("DROP ROLE hissmark_owner")
    postgres.execute("DROP ROLE hissmark_writer")


def tables_in(text: str) -> list[str]:
    return re.findall(r"^    (\w+),?$", text, re.M)


def test_every_table_has_its_rights() -> None:
    assert sorted(tables_in(RIGHTS)) == sorted(metadata.tables)


def test_what_is_on_record_for_good_may_only_be_added_to() -> None:
    """As the triggers have it, which hold against the owner, too."""
    (for_good,) = re.findall(r"GRANT INSERT ON\n(.*?)TO", RIGHTS, re.S)
    assert {"journal", "audit", "findings", "repairs", "shift_notes"} <= set(tables_in(for_good))


@pytest.mark.postgres
def test_the_service_runs_as_the_writer(tmp_path: Path, database: Database, broker: Broker) -> None:
    """Before the owner has made the tables it says who has to; then it stores, judges, and stops cleanly."""
    url = database.url("hissmark_writer")
    site = write_site(tmp_path / "site", broker, panel.REGISTER, store_url=url)
    refused = cli(site, "run", check=False)
    assert refused.returncode == 1
    assert "hissmark migrate SITE` as their owner" in refused.stderr
    made = cli(site, "migrate", "--store", database.url("hissmark_owner")).stdout
    assert "(were none)" in made
    database.psql("writer.sql", "hissmark_owner", "hissmark")
    assert "are up to date" in cli(site, "migrate").stdout
    found = panel.rows(2000, step_s=2)
    with Service(site) as service:
        service.start()
        Gateway(broker).send(panel.packs(found))
        service.wait_stored(2000)
        assert service.stop() == 0
        assert service.samples() == panel.stored_as(found)
    assert [row for row in service.log() if row["level"] in ("warning", "error")] == []


@pytest.mark.postgres
def test_housekeeping_as_the_writer(tmp_path: Path, database: Database) -> None:
    """Days are made ahead, sealed, dropped as a whole, and forgotten by age, by a role that owns nothing."""
    database.migrated(tmp_path)
    engine = open_store(database.url("hissmark_writer"), tmp_path)
    assert partitions.tend(engine, D0).made == 4
    with Writer(engine, NAMES, kinds=KINDS) as writer, writer.transaction() as tx:
        assert tx.samples(days(3, 20)) == 240
    steps: list[str] = []
    place = Folder(tmp_path / "archive")
    Sealer(engine, place, GROUPS, lambda: D0, rest=0, step=steps.append).seal_before(D0 + DAY_US)
    assert "dropped the day" in steps
    assert retention.delete_samples_before(engine, D0 + 2 * DAY_US) == 80
    retention.optimize(engine)
    reader = Reader(engine, place)
    assert reader.sample_count() == 160
    assert len(partitions.parts(engine)) == 3
    engine.dispose()


FORBIDDEN = (
    "TRUNCATE samples",
    "TRUNCATE journal",
    "DELETE FROM journal",
    "UPDATE journal SET comment = ''",
    "DELETE FROM audit",
    "UPDATE audit SET who = 'nobody'",
    "DELETE FROM actions",
    "DELETE FROM users",
    "UPDATE samples SET value = 0",
    "UPDATE settings_versions SET payload = ''",
    "DROP TABLE journal",
    "DROP TABLE samples_20260301",
    "ALTER TABLE samples DETACH PARTITION samples_20260301",
    "ALTER TABLE journal DISABLE TRIGGER ALL",
    "ALTER TABLE samples ADD COLUMN note text",
    "CREATE TABLE mine (a int)",
    "CREATE FUNCTION mine() RETURNS int LANGUAGE sql AS 'SELECT 1'",
    "CREATE OR REPLACE FUNCTION hissmark_append_only() RETURNS trigger LANGUAGE plpgsql "
    "AS 'BEGIN RETURN NEW; END'",
    "UPDATE hissmark_version SET version_num = '0001'",
    "SET ROLE hissmark_owner",
    "SELECT * FROM samples_20260301",
    "COPY journal TO '/tmp/journal'",
)


@pytest.mark.postgres
def test_what_the_writer_may_not(tmp_path: Path, database: Database) -> None:
    database.migrated(tmp_path)
    engine = open_store(database.url("hissmark_writer"), tmp_path)
    partitions.tend(engine, D0)
    entry = JournalEntry(
        D0, "XV-101", "North", AlarmKind.PASSING, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED, Priority.HIGH,
        9.0, 3.0, "why",
    )  # fmt: skip
    with Writer(engine, NAMES) as writer, writer.transaction() as tx:
        tx.journal([entry])
    engine.dispose()
    address = database.url("hissmark_writer").replace("+psycopg", "")
    with psycopg.connect(address, autocommit=True) as connection:
        connection.execute("GRANT ALL ON journal TO hissmark_writer")  # a warning, and nothing is granted
        for statement in FORBIDDEN:
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement.encode())
    reader = Reader(open_for_reading(database.url("hissmark_owner"), tmp_path))
    assert len(reader.journal()) == 1
    reader.close()


@pytest.mark.postgres
def test_a_reader_beside_them(tmp_path: Path, database: Database, postgres: Postgres) -> None:
    """The reader's file works on a database that lets nobody in by default."""
    database.migrated(tmp_path)
    database.psql("reader.sql", postgres.user, "hissmark")
    address = database.url("hissmark_reader").replace("+psycopg", "")
    try:
        with psycopg.connect(address) as connection:
            assert connection.execute("SELECT count(*) FROM hissmark_samples").fetchall() == [(0,)]
    finally:
        postgres.drop_database("hissmark")
        postgres.execute("DROP ROLE hissmark_reader")


@pytest.mark.postgres
def test_the_functions_serve_for_nothing_else(tmp_path: Path, database: Database) -> None:
    """They run as the owner: tables of the writer's own with the same names, or names of other tables, do
    not lead them astray.
    """
    database.migrated(tmp_path)
    engine = open_store(database.url("hissmark_writer"), tmp_path)
    partitions.tend(engine, D0)
    engine.dispose()
    address = database.url("hissmark_writer").replace("+psycopg", "")
    with psycopg.connect(address, autocommit=True) as connection:
        for part in ("journal", "samples", "samples_rest", "no_such", 'x"; DROP TABLE journal; --'):
            with pytest.raises(psycopg.errors.InvalidParameterValue, match="not a part of samples"):
                connection.execute("SELECT hissmark_drop_samples(%s, 0)", [part])
        with pytest.raises(psycopg.errors.InvalidParameterValue, match="not the start of a day"):
            connection.execute("SELECT hissmark_add_samples_day(5)")
        connection.execute("CREATE TEMPORARY TABLE samples (time_us bigint) PARTITION BY RANGE (time_us)")
        connection.execute("CREATE TEMPORARY TABLE pg_inherits (inhparent oid, inhrelid oid)")
        connection.execute(f"SELECT hissmark_add_samples_day({D0 - DAY_US})")
        query = "SELECT count(*) FROM pg_catalog.pg_inherits WHERE inhparent = 'public.samples'::regclass"
        assert connection.execute(query).fetchall() == [(6,)]


@pytest.mark.postgres
def test_an_old_schema_is_told_to_the_writer(tmp_path: Path, database: Database) -> None:
    database.migrated(tmp_path)
    owner = open_store(database.url("hissmark_owner"), tmp_path)
    with owner.begin() as connection:
        connection.execute(sa.text(f"UPDATE {VERSION_TABLE} SET version_num = '0012'"))
    owner.dispose()
    with pytest.raises(StoreError, match=r"are of version 0012.*hissmark migrate SITE` as their owner"):
        open_store(database.url("hissmark_writer"), tmp_path)


def compose() -> dict[str, Any]:
    """Services of the compose file."""
    loaded: dict[str, Any] = yaml.safe_load((DOCKER / "compose.yaml").read_text("utf-8"))["services"]
    return loaded


def as_in_compose(service: str, postgres: Postgres, secrets: Path) -> None:
    """What a service of the compose file that ends by itself does, against our server."""
    command = [word.replace("/roles.sh", str(DOCKER / "postgresql" / "roles.sh"))
               for word in compose()[service]["entrypoint"]]  # fmt: skip
    env = {
        **os.environ, "PGHOST": postgres.host, "PGPORT": str(postgres.port), "PGUSER": postgres.user,
        "SECRETS": str(secrets), "ROLES": str(ROLES),
    }  # fmt: skip
    subprocess.run(command, env=env, check=True, capture_output=True)


def address_in_compose(text: str, postgres: Postgres) -> str:
    """An address of the compose file, in which our server stands for the one there."""
    return text.replace("@database/", f"@{postgres.host}:{postgres.port}/")


@pytest.mark.postgres
def test_the_service_of_the_compose_file_owns_nothing(tmp_path: Path, postgres: Postgres) -> None:
    """Its services in their order, then once more: with new passwords, and as after an upgrade."""
    site = tomllib.loads((DOCKER / "site" / "site.toml").read_text("utf-8"))
    url = address_in_compose(site["store"]["url"], postgres)
    assert url.startswith("postgresql+psycopg://hissmark_writer@")
    _, _, store_option, owner = compose()["tables"]["command"]
    assert store_option == "--store"
    passwords = []
    try:
        for turn in ("first", "second"):
            for name in ("database", "owner", "writer", "reader"):
                (tmp_path / f"{name}_password").write_text(f"{turn} {name}")
            as_in_compose("roles", postgres, tmp_path)
            open_store(address_in_compose(owner, postgres), tmp_path).dispose()
            as_in_compose("rights", postgres, tmp_path)
            passwords += postgres.execute(
                "SELECT rolpassword FROM pg_authid WHERE rolname LIKE 'hissmark\\__%' ORDER BY rolname"
            )
        engine = open_store(url, tmp_path)
        with Writer(engine, NAMES, kinds=KINDS) as writer, writer.transaction() as tx:
            assert tx.samples(days(1, 20)) == 80
        with pytest.raises(sa.exc.ProgrammingError, match="must be owner"), engine.begin() as connection:
            connection.exec_driver_sql("DROP TABLE samples")
        engine.dispose()
        reading = address_in_compose("postgresql://hissmark_reader@database/hissmark", postgres)
        with psycopg.connect(reading) as connection:
            assert connection.execute("SELECT count(*) FROM hissmark_samples").fetchall() == [(80,)]
    finally:
        postgres.drop_database("hissmark")
        for role in ("owner", "writer", "reader"):
            postgres.execute(f"DROP ROLE IF EXISTS hissmark_{role}")
    assert len(passwords) == len(set(passwords)) == 6
    assert all(row[0].startswith("SCRAM-SHA-256") for row in passwords)


def test_who_gets_which_password_in_the_compose_file() -> None:
    """The service knows neither the owner's nor the superuser's, and starts when its rights are settled."""
    services = compose()
    knows = {
        secret: {name for name, service in services.items() if secret in service.get("secrets", [])}
        for secret in ("database_password", "owner_password", "writer_password")
    }
    assert knows == {
        "database_password": {"database", "roles", "rights"},
        "owner_password": {"roles", "tables", "rights"},
        "writer_password": {"roles", "hissmark"},
    }
    order = ["database", "roles", "tables", "rights", "hissmark"]
    for before, name in pairwise(order):
        wanted = "service_healthy" if before == "database" else "service_completed_successfully"
        assert services[name]["depends_on"][before]["condition"] == wanted
    assert "/run/secrets/writer_password" in services["hissmark"]["entrypoint"][2]
