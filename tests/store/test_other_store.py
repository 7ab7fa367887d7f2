"""`pytest --store postgresql` does what it says: stores asked for as SQLite files are on the server."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from hissmark.store import open_store
from support import other_store
from support.elsewhere import moved
from support.postgres import Postgres

pytestmark = pytest.mark.postgres

WRITES = """
import shutil, sys
from pathlib import Path
import sqlalchemy as sa
from hissmark.store import open_for_reading, open_store
URL, one, other = "sqlite:///data/hissmark.db", Path(sys.argv[1]), Path(sys.argv[2])
(one / "data").mkdir(parents=True)
engine = open_store(URL, one)
with engine.begin() as connection:
    connection.execute(sa.text("INSERT INTO meta (key, value) VALUES ('of', 'one')"))
engine.dispose()
shutil.copytree(one, other)
engine = open_for_reading(URL, other)
with engine.begin() as connection:
    found = connection.execute(sa.text("SELECT value FROM meta WHERE key = 'of'")).scalar()
    print(engine.dialect.name, found)
"""


def test_a_command_finds_its_store_on_the_server_and_a_copied_site_has_a_copy(
    tmp_path: Path, postgres: Postgres
) -> None:
    if not postgres.execute(f"SELECT 1 FROM pg_database WHERE datname = '{moved.EMPTY}'"):
        postgres.execute(f"CREATE DATABASE {moved.EMPTY}")
        open_store(postgres.url(moved.EMPTY), tmp_path).dispose()
    before = databases(postgres)
    env = os.environ | {moved.VARIABLE: f"{postgres.user}@{postgres.host}:{postgres.port}"}
    env["PYTHONPATH"] = os.pathsep.join([str(other_store.HERE), os.environ.get("PYTHONPATH", "")])
    command = [sys.executable, "-c", WRITES, str(tmp_path / "one"), str(tmp_path / "other")]
    done = subprocess.run(command, env=env, capture_output=True, text=True, check=False)
    assert done.stdout.split() == ["postgresql", "one"], done.stderr
    made = databases(postgres) - before
    assert len(made) == 2
    for name in made:
        postgres.drop_database(name)


def databases(postgres: Postgres) -> set[str]:
    return {name for (name,) in postgres.execute("SELECT datname FROM pg_database")}
