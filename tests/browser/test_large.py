"""Five thousand valves in a real Chromium: what has something to tell is in sight, nothing freezes."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from hissmark.web import create_app
from support.browser import Browser, browsing, serving, wait_for
from support.invented import OUTSIDE, PASSING, QUIET, START_US, Invented, SetClock, invented

pytestmark = pytest.mark.browser

GROUPS = tuple(f"Unit {i // 10:02d} rack {i % 10}" for i in range(1000))
LONG_TASKS = (
    "window.tasks = [];"
    "new PerformanceObserver(l => l.getEntries().forEach(e => window.tasks.push(e.duration)))"
    ".observe({type: 'longtask', buffered: true})"
)


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Invented, Browser]]:
    """A thousand groups of five valves, all quiet, in front of one browser."""
    folder: Path = tmp_path_factory.mktemp("large")
    started = time.monotonic()
    clock = SetClock(read=lambda: START_US + round((time.monotonic() - started) * 1e6))
    with invented(folder, dict.fromkeys(GROUPS, 5), clock=clock) as plant:
        plant.hear([c.source for c in plant.layout.channels])
        plant.tick(dict.fromkeys(GROUPS, QUIET))
        with serving(create_app(plant.context)) as server, browsing() as browser:
            browser.open(server.url)
            browser.run(LONG_TASKS)
            yield plant, browser
            assert browser.complaints() == []


def test_quiet_groups_are_folded_away_and_can_be_opened(large: tuple[Invented, Browser]) -> None:
    _, browser = large
    browser.wait_text(".plant-panel .count", "5000 valves in 1000 groups: 5000 quiet.")
    assert browser.text(".calm summary") == "1000 groups are quiet"
    assert browser.all(".tile") == []
    browser.wait(".calm summary").click()
    wait_for(lambda: len(browser.all(".calm-names a")) == 1000, "the names")
    browser.wait(".calm summary").click()
    wait_for(lambda: not browser.all(".calm-names a"), "the names to go")


def test_a_tick_of_the_whole_plant_freezes_nothing(large: tuple[Invented, Browser]) -> None:
    """Every group is told anew; a few begin to tell something. No task of the page lasts a second."""
    plant, browser = large
    browser.run("window.tasks.length = 0")
    scenes = dict.fromkeys(GROUPS, QUIET) | dict.fromkeys(GROUPS[100:130], OUTSIDE) | {GROUPS[7]: PASSING}
    plant.tick(scenes)
    plant.raise_alarm("XV-803", ago_min=1)
    wait_for(lambda: len(browser.all(".tile")) == 31, "the groups with something to tell", 20)
    browser.wait('.tile.alarmed[data-group="Unit 00 rack 7"]')
    assert browser.text(".calm summary") == "969 groups are quiet"
    tasks = [float(t) for t in browser.run("return window.tasks")]
    assert max(tasks, default=0.0) < 1000
    plant.tick(dict.fromkeys(GROUPS, QUIET))
    wait_for(lambda: len(browser.all(".tile")) == 1, "the quiet ones to fold away again", 20)


def test_a_tag_among_five_thousand_is_found(large: tuple[Invented, Browser]) -> None:
    _, browser = large
    browser.press("/")
    browser.wait("dialog.search[open]")
    started = time.monotonic()
    browser.press("xv-99904")
    wait_for(lambda: len(browser.all(".found a")) == 1, "the one that fits")
    assert time.monotonic() - started < 5
