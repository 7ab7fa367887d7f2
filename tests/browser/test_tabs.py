"""Many tabs of one browser: it opens only six connections to a server, and all tabs must stay alive."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from support.browser import Browser, wait_for
from support.invented import PASSING, QUIET
from support.room import Room

TABS = 8
GROUP = "Steam header B"


@pytest.fixture
def tabs(room: Room) -> Iterator[list[str]]:
    """Windows with the first page open in each."""
    driver = room.browser.driver
    first = driver.current_window_handle
    room.browser.open(room.server.url)
    for _ in range(TABS - 1):
        driver.switch_to.new_window("tab")
        room.browser.open(room.server.url)
    yield driver.window_handles
    for window in driver.window_handles:
        if window != first:
            driver.switch_to.window(window)
            driver.close()
    driver.switch_to.window(first)


def in_each(browser: Browser, tabs: list[str], part: str, seconds: float = 20.0) -> None:
    for window in tabs:
        browser.driver.switch_to.window(window)
        browser.wait_text(".plant-panel", part, seconds)


def test_eight_tabs_live_on_one_stream(room: Room, tabs: list[str]) -> None:
    """Each shows what happens after it was opened, also when one is closed and when the service was away."""
    in_each(room.browser, tabs, "40 quiet")
    assert room.plant.live.broadcast.clients == 1
    room.plant.tick({GROUP: PASSING})
    in_each(room.browser, tabs, "1 passing")
    room.browser.driver.switch_to.window(tabs.pop(1))
    room.browser.driver.close()
    room.server.stop()
    for window in tabs[:2]:
        room.browser.driver.switch_to.window(window)
        room.browser.wait("html.blind", "the tab to say that it knows nothing", 20)
    room.plant.tick({GROUP: QUIET})
    room.server.start()
    in_each(room.browser, tabs, "40 quiet", 30)
    wait_for(lambda: room.plant.live.broadcast.clients == 1, "one stream again")


def test_a_browser_without_shared_workers_is_served_as_well(room: Room) -> None:
    driver = room.browser.driver
    script = {"source": "delete window.SharedWorker"}
    made = driver.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", script)
    try:
        browser = room.open()
        assert browser.run("return window.SharedWorker === undefined")
        room.plant.tick({GROUP: PASSING})
        browser.wait_text(".plant-panel", "1 passing")
    finally:
        driver.execute_cdp_cmd("Page.removeScriptToEvaluateOnNewDocument", made)
