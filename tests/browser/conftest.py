"""Real Chromium on the real web application over an invented plant of eight groups."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark.web import create_app
from support.browser import Browser, browsing, serving
from support.invented import QUIET, START_US, Invented, SetClock, invented
from support.room import GROUPS, Room


@pytest.fixture(scope="session")
def one_browser() -> Iterator[Browser]:
    with browsing() as browser:
        yield browser


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    """Eight quiet groups, heard just now; the clock runs."""
    started = time.monotonic()
    clock = SetClock(read=lambda: START_US + round((time.monotonic() - started) * 1e6))
    with invented(tmp_path, dict.fromkeys(GROUPS, 5), clock=clock) as made:
        made.hear([c.source for c in made.layout.channels])
        made.tick(dict.fromkeys(GROUPS, QUIET))
        yield made


@pytest.fixture
def room(plant: Invented, one_browser: Browser) -> Iterator[Room]:
    with serving(create_app(plant.context)) as server:
        yield Room(plant, server, one_browser)
        one_browser.run("localStorage.clear()")
        complaints = one_browser.complaints()
        one_browser.driver.get("about:blank")
    assert complaints == []
