"""`pytest --store postgresql`: every store that a test asks for as a SQLite file is a database of PostgreSQL.

For tests that know nothing of stores, so that the whole suite runs on both; those that run on both anyway,
or are about one of them, are marked or parametrised. How it is done: `elsewhere/moved.py`.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark import store
from hissmark.store import open as opening
from hissmark.store import open_store
from support.elsewhere import moved
from support.postgres import Postgres, find_program

HERE = Path(moved.__file__).parent
"""A folder for PYTHONPATH of what moves its stores."""


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--store", choices=["sqlite", "postgresql"], default="sqlite",
        help="where the stores of tests are that run on one only",
    )  # fmt: skip


def pytest_configure(config: pytest.Config) -> None:
    """A server for this process and those that it starts. The controller of several has no tests to run."""
    controller = bool(getattr(config.option, "numprocesses", None)) and not hasattr(config, "workerinput")
    if config.getoption("--store") == "sqlite" or controller:
        return
    if find_program("initdb") is None:
        raise pytest.UsageError("PostgreSQL's server is not installed (apt install postgresql)")
    server = Postgres()
    server.start()
    server.execute("ALTER SYSTEM SET max_connections = 300")
    server.execute("ALTER SYSTEM SET synchronous_commit = off")
    server.stop()
    server.start()
    server.execute(f"CREATE DATABASE {moved.EMPTY}")
    open_store(server.url(moved.EMPTY), HERE).dispose()
    config.add_cleanup(lambda: server.__exit__(None, None, None))
    os.environ[moved.VARIABLE] = f"{server.user}@{server.host}:{server.port}"
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(HERE), os.environ.get("PYTHONPATH", "")]))
    moved.move(opening)
    store.resolve_url = opening.resolve_url


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if config.getoption("--store") == "sqlite":
        return
    for item in items:
        if item.get_closest_marker("sqlite"):
            item.add_marker(pytest.mark.skip(reason="is about SQLite's file"))


@pytest.fixture(autouse=True)
def _tidy(request: pytest.FixtureRequest) -> Iterator[None]:
    """Databases are large for what is in them: they go with the test."""
    yield
    folder = getattr(request.node, "funcargs", {}).get("tmp_path")
    if folder is not None and os.environ.get(moved.VARIABLE):
        moved.drop_below(folder)
