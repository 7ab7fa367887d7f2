"""The skyline of a group: every kind of thing has its shape, its word and its sentence."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from urllib.parse import quote

import pytest
from selenium.webdriver.common.keys import Keys

from hissmark.judge.verdicts import Explanation, Verdict
from hissmark.web import create_app
from support.browser import Browser, serving
from support.invented import PASSING, QUIET, TWO, Heard, Scene, invented
from support.room import BUSY, Room

pytestmark = pytest.mark.browser


def look(browser: Browser, channel: str) -> str:
    return str(browser.run(f"return document.querySelector('[data-channel={channel}]').classList[1]"))


def show(room: Room, group: str) -> Browser:
    room.plant.tick(BUSY)
    browser = room.open(f"/group/{quote(group)}")
    browser.wait(".skyline .channel")
    return browser


def test_the_source_stands_out_with_rise_and_margin(room: Room) -> None:
    browser = show(room, "Steam header B")
    assert [look(browser, f"AS-20{i}") for i in range(1, 6)] == ["spill", "spill", "source", "spill", "spill"]
    assert browser.text(".peak") == "XV-203 passing+14 dB · next 8.3 dB behind"
    assert "XV-203 is passing: 14 dB over its background." in browser.text(".belief")
    assert browser.text(".expected") == "expected"


def test_bars_stand_at_their_decibels(room: Room) -> None:
    """Heights are in proportion to rises: read back from the drawing."""
    browser = show(room, "Steam header B")
    tall = {
        row[0]: row[1]
        for row in browser.run(
            "return [...document.querySelectorAll('.picture .channel')].map(c => "
            "[c.dataset.channel, +c.querySelector('.rise').getAttribute('height')])"
        )
    }
    per_db = tall["AS-203"] / 14.2
    assert tall["AS-202"] / 9.1 == pytest.approx(per_db, rel=0.01)
    assert tall["AS-205"] / 3.0 == pytest.approx(per_db, rel=0.02)


def test_channels_stand_in_pipe_order_to_scale(room: Room) -> None:
    browser = show(room, "Steam header B")
    x = browser.run("return [...document.querySelectorAll('.pipe .drop')].map(l => +l.getAttribute('x1'))")
    assert x == sorted(x)
    steps = [c.distance_m or 0.0 for c in room.plant.register.groups["Steam header B"]][1:]
    gaps = [b - a for a, b in pairwise(x)]
    slope = (max(gaps) - min(gaps)) / (max(steps) - min(steps))
    assert gaps == [pytest.approx(min(gaps) + slope * (step - min(steps)), abs=0.5) for step in steps]


@pytest.mark.parametrize(
    ("group", "channel", "shape", "word"),
    [
        ("Flare tie-ins", "AS-404", "open", "open"),
        ("Boiler feed", "AS-503", "hole", "sensor silent"),
        ("Reflux manifold", "AS-601", "untestable", "no pressure"),
        ("Tank farm east", "AS-703", "contested", "contested"),
        ("Letdown", "AS-301", "outside", "outside noise"),
        ("Letdown", "AR-301", "reference", "reference"),
        ("Steam header A", "AS-101", "still", "quiet"),
    ],
)
def test_every_kind_has_its_own_shape_and_word(
    room: Room, group: str, channel: str, shape: str, word: str
) -> None:
    browser = show(room, group)
    assert look(browser, channel) == shape
    assert word in browser.text(".skyline")


def test_two_leaks_are_two_peaks(room: Room) -> None:
    room.plant.tick({"Steam header A": TWO})
    browser = room.open("/group/Steam%20header%20A")
    browser.wait(".skyline .source")
    assert len(browser.all(".skyline .peak.source")) == 2
    assert "both passing" in browser.text(".belief")


def test_screen_readers_get_a_sentence_for_every_channel(room: Room) -> None:
    browser = show(room, "Reflux manifold")
    labels = [door.get_attribute("aria-label") or "" for door in browser.all(".door")]
    assert len(labels) == 6
    assert labels[0] == (
        "XV-601: not testable. There is no pressure difference across it: a leak would not be heard. "
        "Rise 0.2 dB."
    )


def test_a_valve_is_a_link_to_its_page_by_mouse_and_keyboard(room: Room) -> None:
    browser = show(room, "Steam header B")
    browser.run("document.querySelector('a.door[href$=\"XV-202\"]').focus()")
    browser.press(Keys.ARROW_RIGHT, Keys.ENTER)
    browser.wait_text("#valve-title", "XV-203")
    browser.driver.back()
    browser.wait("a.door").click()
    browser.wait_text("#valve-title", "XV-201")


def test_numbers_sort_and_are_one_click_away(room: Room) -> None:
    browser = show(room, "Steam header B")
    browser.all("th button.sort")[7].click()
    browser.all("th button.sort")[7].click()
    browser.wait_text("tbody tr:first-child th", "XV-203")
    assert browser.all("th[aria-sort=descending]")
    room.plant.tick({"Steam header B": PASSING})
    browser.wait_text("tbody tr:first-child th", "XV-203")


def test_the_skyline_moves_with_the_tick(room: Room) -> None:
    browser = show(room, "Steam header B")
    room.plant.tick({"Steam header B": QUIET})
    browser.wait_text(".belief", "Quiet: 5 valves at background.")
    assert browser.all(".skyline .peak") == []


def test_a_long_group_scrolls_in_its_picture_and_shows_its_source(
    one_browser: Browser, tmp_path: Path
) -> None:
    far = tuple(Heard(18.0 if i == 24 else 0.3, verdict=Verdict(int(i == 24))) for i in range(31))
    with invented(tmp_path, {"Long rack": 30}) as plant:
        plant.hear([c.source for c in plant.layout.channels])
        plant.tick({"Long rack": Scene(far, Explanation.ONE_PASSING, 24, -1, 8.0)})
        with serving(create_app(plant.context)) as server:
            one_browser.open(f"{server.url}/group/Long%20rack")
            one_browser.wait(".peak")
            assert one_browser.run("return document.documentElement.scrollWidth <= innerWidth")
            box = one_browser.run(
                "const b = document.querySelector('.peak').getBoundingClientRect(); return [b.left, b.right]"
            )
            assert 0 < box[0] < box[1] < 1920
            one_browser.driver.get("about:blank")


def test_a_group_not_in_the_register_is_said_to_be_unknown(room: Room) -> None:
    browser = room.open("/group/Nowhere")
    assert "no group “Nowhere”" in browser.text("main")
