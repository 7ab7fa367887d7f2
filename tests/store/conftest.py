"""One empty store for each test, on SQLite and on PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from support.stores import Store, sqlite_store

__all__ = ["sqlite_store"]


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store on either database."""
    url = "sqlite:///data/hissmark.db"
    if request.param == "postgres":
        url = request.getfixturevalue("postgres_url")
    opened = Store(url, tmp_path)
    yield opened
    opened.close()


@pytest.fixture
def postgres_store(postgres_url: str, tmp_path: Path) -> Iterator[Store]:
    """An empty store on PostgreSQL."""
    opened = Store(postgres_url, tmp_path)
    yield opened
    opened.close()
