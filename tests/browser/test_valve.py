"""The page of a valve: charts on one time axis, zoom, cursor, the address, the data one click away."""

from __future__ import annotations

import time

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from support.browser import Browser, wait_for
from support.invented import MINUTE_US, PASSING, QUIET, START_US
from support.room import Room

pytestmark = pytest.mark.browser


@pytest.fixture
def valve(room: Room) -> Browser:
    """XV-203 after ten hours, the last of them passing."""
    for minute in range(600, 0, -4):
        room.plant.tick({"Steam header B": PASSING if minute <= 60 else QUIET}, START_US - minute * MINUTE_US)
    room.plant.tick({"Steam header B": PASSING})
    room.plant.raise_alarm("XV-203", ago_min=50)
    browser = room.open("/valve/XV-203")
    browser.wait(".u-over")
    return browser


def inked(browser: Browser) -> list[int]:
    """Pixels of each chart that are not clear."""
    found = browser.run(
        "return [...document.querySelectorAll('canvas')].map(c => {"
        "const d = c.getContext('2d').getImageData(0, 0, c.width, c.height).data;"
        "let n = 0; for (let i = 3; i < d.length; i += 4) n += d[i] > 0; return n; })"
    )
    return [int(n) for n in found]


def test_charts_are_drawn_on_one_time_axis(valve: Browser) -> None:
    wait_for(lambda: len(inked(valve)) == 4 and min(inked(valve)) > 500, "four charts with ink")
    left = valve.run(
        "return [...document.querySelectorAll('.u-over')].map(o => o.getBoundingClientRect().left)"
    )
    right = valve.run(
        "return [...document.querySelectorAll('.u-over')].map(o => o.getBoundingClientRect().right)"
    )
    assert max(left) - min(left) < 1
    assert max(right) - min(right) < 1


def test_what_is_believed_now_and_why(valve: Browser) -> None:
    side = valve.text(".belief")
    assert "XV-203 is passing: 14 dB over its background" in side
    assert "sound, position and pressure" in side
    assert "31.0 bar" in side
    assert valve.all(".belief .alarm")


def test_the_cursor_reads_out(valve: Browser) -> None:
    assert "newest" in valve.wait_text(".readout", "passing")
    over = valve.wait(".u-over")
    ActionChains(valve.driver).move_to_element_with_offset(over, int(over.size["width"] * 0.2), 0).perform()
    assert "quiet" in valve.wait_text(".readout", "at ")
    assert "UTC" in (valve.wait(".readout").get_attribute("title") or "")


def test_dragging_zooms_and_the_address_holds_it(valve: Browser, room: Room) -> None:
    over = valve.wait(".u-over")
    wide = over.size["width"]
    chain = ActionChains(valve.driver).move_to_element_with_offset(over, int(wide * 0.3), 10)
    chain.click_and_hold().move_by_offset(int(wide * 0.15), 0).release().perform()
    address = wait_for(lambda: "from=" in (a := valve.driver.current_url) and a, "the address to change")
    pressed = "return document.querySelectorAll('.spans [aria-pressed=true]').length"
    assert valve.run(pressed) == 0
    valve.driver.get(address)
    valve.wait(".u-over")
    assert valve.driver.current_url == address
    valve.press("0")
    wait_for(lambda: "last=24h" in valve.driver.current_url, "the last day again")


def test_keys_zoom_and_move(valve: Browser) -> None:
    valve.press("+")
    near = wait_for(lambda: "from=" in (a := valve.driver.current_url) and a, "zoom in")
    valve.press(Keys.ARROW_LEFT)
    wait_for(lambda: valve.driver.current_url != near, "a move")


def test_the_data_comes_along_as_csv(valve: Browser) -> None:
    valve.run(
        "const make = URL.createObjectURL; window.taken = [];"
        "URL.createObjectURL = (b) => { b.text().then((t) => window.taken.push(t)); return make(b); }"
    )
    next(b for b in valve.all(".chart-panel button") if "CSV" in b.text).click()
    text = wait_for(lambda: valve.run("return window.taken[0]"), "the file")
    lines = text.split("\r\n")
    assert lines[0].startswith("time,level_db,l50_db,l10_db,baseline_db,rise_db")
    assert len(lines) > 100
    assert lines[-2].startswith("2026-03-01T0")


def test_a_new_tick_moves_the_chart(valve: Browser, room: Room) -> None:
    valve.wait_text(".readout", "passing")
    time.sleep(1.1)
    room.plant.tick({"Steam header B": QUIET})
    valve.wait_text(".readout", "quiet")


def test_empty_record_says_so(room: Room) -> None:
    browser = room.open("/valve/XV-203?from=2020-01-01T00:00:00Z&to=2020-01-02T00:00:00Z")
    browser.wait_text(".charts", "Nothing on record for XV-203 in this span.")


def test_sensors_page_puts_the_ill_first(room: Room) -> None:
    from support.room import BUSY

    room.plant.tick(BUSY)
    browser = room.open("/sensors")
    assert browser.text("tbody tr:first-child th") == "AS-503"
    assert "1 of 48 need a look." in browser.text("main")
