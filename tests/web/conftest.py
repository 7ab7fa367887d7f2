"""A client of the real web application over an invented plant with a real store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from hissmark.web import create_app
from support.invented import PASSING, QUIET, Invented, invented


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    """Two groups of five valves; XV-103 of the first is passing."""
    with invented(tmp_path, {"North": 5, "South yard": 5}) as made:
        made.hear([c.source for c in made.layout.channels])
        made.tick({"North": PASSING, "South yard": QUIET})
        yield made


@pytest.fixture
def client(plant: Invented) -> Iterator[TestClient]:
    with TestClient(create_app(plant.context), raise_server_exceptions=False) as made:
        yield made
