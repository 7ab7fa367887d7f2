"""Looking back in a real Chromium: a past moment as it was, never taken for now, and now still calls."""

from __future__ import annotations

import re

import pytest
from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.keys import Keys

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind
from hissmark.publish.times import parse_rfc3339, rfc3339
from support.browser import Browser, wait_for
from support.invented import MINUTE_US, OUTSIDE, PASSING, QUIET, START_US, TWO
from support.room import GROUPS, Room

pytestmark = pytest.mark.browser


def at(minute: float) -> str:
    return rfc3339(START_US + round(minute * MINUTE_US))


@pytest.fixture
def told(room: Room) -> Room:
    """North works an hour ago: quiet until -60, XV-203 passing until -40, then outside noise, now quiet."""
    scenes = [(-120, QUIET), (-60, PASSING), (-40, OUTSIDE), (-5, QUIET)]
    for minute in range(-120, 0):
        scene = [s for begins, s in scenes if begins <= minute][-1]
        others = dict.fromkeys(GROUPS, QUIET)
        room.plant.tick(others | {"Steam header B": scene}, START_US + minute * MINUTE_US)
    room.plant.tick(dict.fromkeys(GROUPS, QUIET))
    return room


def past(browser: Browser) -> None:
    browser.wait("html.past #past:not([hidden])", "the page to be marked as the past")


def test_the_overview_of_a_past_moment(told: Room) -> None:
    told.plant.raise_alarm("XV-203", ago_min=55)
    told.plant.act(
        ActionRequest(ActionKind.ACKNOWLEDGE, "XV-203", AlarmKind.PASSING, "Kari", "fitter called")
    )
    browser = told.open(f"/?at={at(-50)}")
    past(browser)
    browser.wait_text('.tile[data-group="Steam header B"] .tile-word', "passing")
    assert "not acknowledged" in browser.text(".alarm .state")
    assert re.search("for [45] min", browser.text(".alarm .sentence"))
    assert "50 min" in browser.text("#past .ago")
    browser.press("n")
    assert "at=" in browser.driver.current_url  # within the past a page leads to the past
    browser.press(Keys.ESCAPE)
    browser.wait("html:not(.past)")
    assert "acknowledged by Kari" in browser.wait_text(".alarm .state", "Kari")
    assert "at=" not in browser.driver.current_url


def test_nothing_is_done_to_the_past_and_nothing_in_it_wears_the_colour_of_alarms(told: Room) -> None:
    told.plant.raise_alarm("XV-203", ago_min=55)
    browser = told.open(f"/?at={at(-50)}")
    browser.wait(".alarm.unacknowledged")
    assert browser.all("main .act:not([hidden])") == []
    browser.press("a")
    assert browser.all("dialog") == []
    look = "return getComputedStyle(document.querySelector('.alarm .priority path')).fill"
    ink = "return getComputedStyle(document.querySelector('h1')).color"
    assert browser.run(look) == browser.run(ink)
    assert browser.run("return getComputedStyle(document.querySelector('main')).outlineStyle") == "dashed"
    assert "past" in browser.driver.title


def test_an_alarm_of_now_calls_while_somebody_looks_back(told: Room) -> None:
    browser = told.open(f"/group/Steam%20header%20B?at={at(-50)}")
    past(browser)
    browser.wait_text(".belief", "XV-203 is passing")
    told.plant.tick({"Letdown": PASSING})
    told.plant.raise_alarm("XV-303", ago_min=0)
    browser.wait_text("#past .calling", "Now: 1 alarm to acknowledge")
    assert browser.driver.title.startswith("(1) past")
    assert "XV-303" not in browser.text("main")


def test_moving_along_by_tick_and_hour(told: Room) -> None:
    """From now a tick back, then on: the skyline changes with each, the address holds the moment."""
    browser = told.open("/group/Steam%20header%20B")
    browser.press(",")
    past(browser)
    browser.wait_text(".age", "as of")
    moment = lambda: browser.run("return new URLSearchParams(location.search).get('at')")  # noqa: E731
    first = moment()
    browser.press("<")
    wait_for(lambda: moment() != first, "an hour back")
    assert moment() == rfc3339(parse_rfc3339(first) - 60 * MINUTE_US)
    browser.wait_text(".belief", "Quiet: 5 valves at background.")
    browser.press(".", ".")
    browser.wait_text(".belief", "XV-203 is passing", 5)
    assert browser.text(".peak").startswith("XV-203 passing")
    browser.press(">", ">")
    browser.wait("html:not(.past)", "now to be reached")
    assert moment() is None
    browser.driver.back()
    browser.wait_text(".belief", "Quiet")


def test_buttons_and_the_field_lead_there_too(told: Room) -> None:
    browser = told.open("/")
    browser.all("#look-back")[0].click()
    past(browser)
    browser.all("#past button")[0].click()
    browser.wait_text("#past .ago", "1 h")
    browser.run(
        "const f = document.querySelector('#past input'); f.value = '2026-03-01T02:10';"
        "f.dispatchEvent(new Event('change'))"
    )
    wait_for(lambda: at(-50) in browser.driver.current_url, "the moment of the field (Oslo time)")
    browser.wait_text('.tile[data-group="Steam header B"] .tile-word', "passing")
    browser.all("#past button")[-1].click()
    browser.wait("html:not(.past)")


def test_the_valve_page_scrubs(told: Room) -> None:
    """A click on the chart shows what was believed then; the line stands where it was clicked."""
    browser = told.open("/valve/XV-203?last=6h")
    over = browser.wait(".u-over")
    box = over.rect
    left = box["width"] * (1 - 50 / 360)
    offset = int(left - box["width"] / 2)
    ActionChains(browser.driver).move_to_element_with_offset(over, offset, 0).click().perform()
    past(browser)
    assert "Believed then" in browser.wait_text(".belief", "XV-203: passing.")
    moment = browser.run("return Date.parse(new URLSearchParams(location.search).get('at'))")
    assert abs(moment * 1000 - (START_US - 50 * MINUTE_US)) < 5 * MINUTE_US
    browser.press(Keys.ESCAPE)
    browser.wait_text(".belief", "Believed now")


def test_journal_and_sensors_can_be_put_back(told: Room) -> None:
    told.plant.raise_alarm("XV-203", ago_min=55)
    told.plant.raise_alarm("XV-101", ago_min=3)
    browser = told.open(f"/journal?at={at(-50)}")
    browser.wait_text("tbody", "XV-203")
    assert "XV-101" not in browser.text("tbody")
    browser.press("e")
    browser.wait("#sensors-title")
    assert f"at={at(-50)}" in browser.driver.current_url
    browser.wait_text("main .count", "48 are well")


def test_a_moment_without_record_says_so(told: Room) -> None:
    browser = told.open("/group/Letdown?at=2026-02-01T00:00:00Z")
    past(browser)
    browser.wait_text(".belief", "Nothing is on record here for that moment.")
    assert "no data" in browser.text(".age")


def test_why_and_what_would_change_its_mind(told: Room) -> None:
    told.plant.tick({"Steam header B": TWO, "Letdown": PASSING})
    browser = told.open("/valve/XV-303")
    browser.wait_text(".why", "Why XV-303 is passing")
    assert "fits best" in browser.text(".compared li")
    assert "behind" in browser.text(".compared")
    assert "The verdict ends when its rise falls below" in browser.text(".wants")
    assert "Background:" in browser.text(".why")
    browser.wait(".why summary").click()
    browser.wait_text(".why details", "Best explanation: XV-303 passing.")
    browser.driver.get(f"{told.server.url}/group/Letdown")
    browser.wait_text(".why", "Why XV-303 is passing")
