"""The page "Now" in a real Chromium: alarms appear, are acknowledged, and a blind page never looks calm."""

from __future__ import annotations

import time

import pytest
from selenium.webdriver.common.keys import Keys

from hissmark.alarms.journal import AlarmKind
from support.browser import browsing, wait_for
from support.invented import PASSING, START_US
from support.room import BUSY, GROUPS, Room

pytestmark = pytest.mark.browser


def test_all_quiet_is_calm(room: Room) -> None:
    browser = room.open()
    assert "None. No valve is known to be passing." in browser.text(".alarms")
    assert "40 valves in 8 groups: 40 quiet." in browser.wait_text(".plant-panel", "40 quiet")
    assert len(browser.all(".tile")) == len(GROUPS)
    assert browser.all(".alarmed, .no-data, .new") == []
    assert browser.all("#banner:not([hidden])") == []


def test_an_alarm_appears_within_a_second_of_its_tick(room: Room) -> None:
    browser = room.open()
    started = time.monotonic()
    room.plant.tick({"Steam header B": PASSING})
    room.plant.raise_alarm("XV-203", ago_min=12.5)
    browser.wait(".alarm.unacknowledged")
    assert time.monotonic() - started < 1.5
    said = browser.text(".alarm .sentence")
    assert said.startswith("XV-203 is passing: 14 dB over its background for 12 min.")
    assert "First heard 02:47." in said  # Oslo is an hour ahead of UTC in winter
    browser.wait_text('.tile[data-group="Steam header B"] .tile-word', "passing")
    assert "(1)" in browser.driver.title
    assert "XV-203: passing raised" in browser.wait_text(".changes-panel", "XV-203")


def test_only_an_alarm_wears_colour(room: Room) -> None:
    """The verdict alone, before its alarm, is told in ink."""
    room.plant.tick({"Steam header B": PASSING})
    browser = room.open()
    browser.wait(".peak-block.source")
    assert browser.all(".alarmed") == []
    room.plant.raise_alarm("XV-203")
    browser.wait(".tile.alarmed .peak-block.alarmed")


def test_acknowledged_from_the_keyboard_and_seen_in_another_browser(room: Room) -> None:
    room.plant.tick({"Steam header B": PASSING})
    room.plant.raise_alarm("XV-203")
    browser = room.open()
    with browsing((1024, 768), dark=True) as other:
        other.open(room.server.url)
        other.wait(".alarm.unacknowledged")
        browser.wait(".alarm.unacknowledged")
        browser.press("a")
        browser.wait("dialog[open]")
        browser.press("Kari", Keys.TAB, "fitter called", Keys.ENTER)
        other.wait(".alarm.acknowledged")
        assert "acknowledged by Kari: “fitter called”" in other.text(".alarm .state")
        assert other.complaints() == []
    assert browser.wait(".alarm.acknowledged")
    assert browser.all("dialog") == []
    [row] = room.plant.reader.actions()
    assert (row.request.operator, row.request.comment, row.outcome) == ("Kari", "fitter called", "applied")


def test_an_acknowledgement_without_a_name_is_not_sent(room: Room) -> None:
    room.plant.raise_alarm("XV-203")
    browser = room.open()
    browser.wait(".alarm .acknowledge").click()
    browser.wait("dialog[open]")
    browser.press("  ", Keys.ENTER)
    browser.wait_text("dialog .trouble", "needs your name")
    assert room.plant.reader.actions() == []
    browser.press(Keys.ESCAPE)
    wait_for(lambda: not browser.all("dialog"), "the dialog to close")


def test_two_at_once_both_are_told_who(room: Room) -> None:
    room.plant.raise_alarm("XV-203")
    browser = room.open()
    browser.wait(".alarm .acknowledge").click()
    browser.wait("dialog[open]")
    from hissmark.alarms.journal import ActionKind, ActionRequest

    room.plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-203", AlarmKind.PASSING, "Ola"))
    browser.press("Kari", Keys.ENTER)
    assert "Ola has acknowledged it" in browser.wait_text("dialog .trouble", "Not acknowledged")
    assert len(room.plant.reader.actions()) == 1
    browser.press(Keys.ESCAPE)


def test_a_page_that_lost_the_service_is_struck_through_with_its_age(room: Room) -> None:
    browser = room.open()
    wait_for(lambda: "live" in browser.text("#link-state"), "the page to be live")
    room.server.stop()
    browser.wait("html.blind", "the page to say that it is blind", 9)
    assert "has not heard from the service for" in browser.text("#banner")
    assert browser.text("#link-state") == "not live"
    struck = "return getComputedStyle(document.querySelector('.plant-panel'), '::after').content"
    assert browser.run(struck) == '""'
    room.plant.raise_alarm("XV-203")
    room.server.start()
    browser.wait("html:not(.blind)", "the page to see again", 15)
    browser.wait(".alarm.unacknowledged", "what happened meanwhile", 15)
    assert browser.all("#banner:not([hidden])") == []


def test_a_group_without_data_is_struck_through(room: Room) -> None:
    started = time.monotonic()
    browser = room.open()
    late_us = 170_000_000
    room.plant.clock.read = lambda: START_US + late_us + round((time.monotonic() - started) * 1e6)
    heard = [c.source for c in room.plant.layout.channels if c.group != "Letdown"]
    room.plant.hear(heard)
    browser.wait('.tile.no-data[data-group="Letdown"]', "Letdown to be struck through", 15)
    assert len(browser.all(".tile.no-data")) == 1
    assert "no data for 3 min" in browser.wait_text(".tile.no-data", "no data")
    assert "No data from 1 group." in browser.text(".plant-panel")


def test_a_lost_broker_and_a_dead_worker_are_said_aloud(room: Room) -> None:
    browser = room.open()
    room.plant.live.report(connected=False)
    browser.wait_text("#banner", "lost the broker 127.0.0.1:1883")
    room.plant.live.report(worker_alive=False)
    browser.wait_text("#banner", "stopped judging")
    room.plant.healthy()
    wait_for(lambda: browser.all("#banner[hidden]"), "the banner to go")


def test_arrows_enter_and_escape_move_about(room: Room) -> None:
    room.plant.tick(BUSY)
    browser = room.open()
    browser.run("document.querySelector('[data-group=\"Steam header A\"]').focus()")
    browser.press(Keys.ARROW_RIGHT)
    assert browser.run("return document.activeElement.dataset.group") == "Steam header B"
    browser.press(Keys.ENTER)
    browser.wait("#group-title")
    assert browser.run("return location.pathname") == "/group/Steam%20header%20B"
    browser.press(Keys.ESCAPE)
    browser.wait(".plant-panel")
    browser.press("j")
    browser.wait("#journal-title")
    browser.press("?")
    assert "acknowledge" in browser.wait("dialog[open]").text
    browser.press(Keys.ESCAPE)


def test_a_tag_is_found(room: Room) -> None:
    browser = room.open()
    browser.press("/")
    browser.wait("dialog.search[open]")
    browser.press("xv-5")
    wait_for(lambda: len(browser.all(".found a")) == 5, "five matches")
    browser.press(Keys.ARROW_DOWN, Keys.ARROW_DOWN, Keys.ENTER)
    browser.wait_text("#valve-title", "XV-502")


def test_times_in_utc_at_a_key(room: Room) -> None:
    room.plant.raise_alarm("XV-203")
    browser = room.open()
    browser.wait_text(".alarm .sentence", "First heard 02:48")
    assert "01:48:0" in browser.run("return document.querySelector('.alarm time[data-show=at]').title")
    browser.press("u")
    browser.wait_text(".alarm .sentence", "First heard 01:48")


def test_five_hundred_alarms_stay_usable(room: Room) -> None:
    from dataclasses import replace

    first = room.plant.raise_alarm("XV-203")
    kinds = list(AlarmKind)
    rows = [
        replace(first, valve=f"XV-{i}", alarm=kinds[i % 3], raised_us=START_US - i * 1_000_000)
        for i in range(500)
    ]
    browser = room.open()
    started = time.monotonic()
    room.plant.live.alarms(rows)
    wait_for(lambda: len(browser.all(".alarm")) == 500, "500 alarms")
    assert time.monotonic() - started < 5
    assert browser.run("return document.documentElement.scrollHeight") < 2500
