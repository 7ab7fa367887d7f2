"""What operators do to alarms on the pages: shelve, take out of service, several at once, and the sound."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

from hissmark.alarms.journal import ActionKind, AlarmKind, AlarmState, Priority
from support.browser import Browser, wait_for
from support.invented import PASSING
from support.room import Room

pytestmark = pytest.mark.browser


@pytest.fixture
def passing(room: Room) -> Browser:
    """XV-203 is passing and calls; the page Now is open, its card marked."""
    room.plant.tick({"Steam header B": PASSING})
    room.plant.raise_alarm("XV-203")
    browser = room.open()
    browser.wait(".alarm.unacknowledged")
    browser.run("document.querySelector('.alarm').focus()")
    return browser


def acts(room: Room) -> list[tuple[ActionKind, str, str, str]]:
    """What is on record: kind, valve, who, why; oldest first."""
    found = sorted(room.plant.reader.actions(), key=lambda row: row.id)
    return [(r.request.kind, r.request.valve, r.request.operator, r.request.comment) for r in found]


def answer(browser: Browser, *keys: str) -> None:
    """Write into the dialog that is open, and wait until it has closed."""
    browser.wait("dialog[open]")
    browser.press(*keys)
    wait_for(lambda: not browser.all("dialog"), "the dialog to close")


def test_shelved_with_a_reason_and_back_again(room: Room, passing: Browser) -> None:
    passing.press("s")
    passing.wait("dialog[open]")
    Select(passing.all("dialog select")[0]).select_by_visible_text("2 hours")
    passing.all("dialog input[name=operator]")[0].send_keys("Kari")
    answer(passing, Keys.TAB, "scaffold in the way", Keys.ENTER)
    passing.wait_text(".put-aside summary", "1 on the shelf")
    assert passing.all(".alarms > .alarm-list .alarm") == []
    assert passing.all(".tile.alarmed") == [], "a shelved alarm wears no colour"
    passing.all(".put-aside summary")[0].click()
    said = passing.text(".put-aside .alarm")
    assert "On the shelf until 05:00" in said  # 03:00 in Oslo and two hours
    assert "on the shelf by Kari: “scaffold in the way”" in said
    held = room.plant.standing["XV-203", AlarmKind.PASSING]
    assert held.state is AlarmState.SHELVED
    assert held.shelved_until_us is not None
    assert abs(held.shelved_until_us - held.changed_us - 7200e6) < 2e6

    passing.all(".put-aside .unshelve")[0].click()
    answer(passing, Keys.ENTER)
    passing.wait(".alarms > .alarm-list .alarm.unacknowledged")
    assert not passing.all(".put-aside")[0].is_displayed()
    assert acts(room) == [
        (ActionKind.SHELVE, "XV-203", "Kari", "scaffold in the way"),
        (ActionKind.UNSHELVE, "XV-203", "Kari", ""),
    ]


def test_no_shelving_without_a_reason(room: Room, passing: Browser) -> None:
    passing.press("s")
    passing.wait("dialog[open]")
    passing.all("dialog input[name=operator]")[0].send_keys("Kari", Keys.ENTER)
    passing.wait_text("dialog .trouble", "needs a reason")
    passing.press(Keys.ESCAPE)
    wait_for(lambda: not passing.all("dialog"), "the dialog to close")
    assert acts(room) == []


def test_only_times_that_the_site_allows_are_offered(room: Room, passing: Browser) -> None:
    passing.press("s")
    passing.wait("dialog[open]")
    seconds = [int(o.get_attribute("value") or 0) for o in passing.all("dialog option")]
    assert max(seconds) == room.plant.layout.settings.alarms.max_shelve_s
    assert passing.run("return document.querySelector('dialog select').value") == "14400"
    passing.press(Keys.ESCAPE)


def test_out_of_service_and_back(room: Room, passing: Browser) -> None:
    passing.press("o")
    passing.wait("dialog[open]")
    assert "does not come back by itself" in passing.text("dialog .advice")
    passing.all("dialog input[name=operator]")[0].send_keys("Kari")
    answer(passing, Keys.TAB, "sensor sent in", Keys.ENTER)
    passing.wait_text(".put-aside summary", "1 out of service")
    passing.all(".put-aside summary")[0].click()
    passing.run("document.querySelector('.put-aside .alarm').focus()")
    passing.press("o")
    answer(passing, Keys.ENTER)
    passing.wait(".alarms > .alarm-list .alarm.unacknowledged")
    assert [kind for kind, *_ in acts(room)] == [
        ActionKind.TAKE_OUT_OF_SERVICE,
        ActionKind.RETURN_TO_SERVICE,
    ]


def test_a_refusal_is_told_and_nothing_changes(room: Room, passing: Browser) -> None:
    passing.press("s")
    passing.wait("dialog[open]")
    room.plant.clear_alarm("XV-203")
    room.plant.standing.clear()
    passing.all("dialog input[name=operator]")[0].send_keys("Kari", Keys.TAB, "why", Keys.ENTER)
    passing.wait_text("dialog .trouble", "Not shelved: XV-203 has nothing to shelve.")
    passing.press(Keys.ESCAPE)
    assert acts(room) == []


def test_several_acknowledged_at_once_but_only_the_marked(room: Room) -> None:
    for valve in ("XV-203", "XV-703", "XV-101"):
        room.plant.raise_alarm(valve, priority=Priority.MEDIUM)
    browser = room.open()
    browser.wait_text(".count", "3 to acknowledge")
    browser.press("m")
    browser.wait("dialog[open]")
    assert browser.run("return document.querySelectorAll('.several :checked').length") == 0
    browser.all("dialog input[name=operator]")[0].send_keys("Kari", Keys.ENTER)
    browser.wait_text("dialog .trouble", "None is marked.")
    for row in browser.all(".several label"):
        if "XV-101" not in row.text:
            row.find_element(By.TAG_NAME, "input").click()
    browser.all("dialog button.acknowledge")[0].click()
    wait_for(lambda: not browser.all("dialog"), "the dialog to close")
    wait_for(lambda: len(browser.all(".alarm.acknowledged")) == 2, "two acknowledged")
    assert "XV-101" in browser.text(".alarm.unacknowledged")
    assert sorted(valve for _, valve, *_ in acts(room)) == ["XV-203", "XV-703"]
    assert not browser.all(".several-button")[0].is_displayed()


def test_one_of_several_refused_is_told(room: Room) -> None:
    from hissmark.alarms.journal import ActionRequest

    for valve in ("XV-203", "XV-703"):
        room.plant.raise_alarm(valve)
    browser = room.open()
    browser.wait(".several-button:not([hidden])").click()
    browser.wait("dialog[open]")
    browser.all("dialog input[name=operator]")[0].send_keys("Kari")
    next(b for b in browser.all("dialog button") if b.text == "Mark all").click()
    room.plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-703", AlarmKind.PASSING, "Ola"))
    browser.all("dialog button.acknowledge")[0].click()
    said = browser.wait_text("dialog .trouble", "1 acknowledged, 1 not")
    assert "Ola has acknowledged it" in said
    browser.press(Keys.ESCAPE)


TAP = (
    "window.tones = []; const start = OscillatorNode.prototype.start;"
    "OscillatorNode.prototype.start = function (at) {"
    " window.tones.push([this.frequency.value, this.context.state]); return start.call(this, at); };"
)


def test_the_sound_is_off_until_wanted(room: Room) -> None:
    browser = room.open()
    browser.run(TAP)
    assert browser.text("#sound") == "Sound off"
    room.plant.raise_alarm("XV-203")
    browser.wait(".alarm.unacknowledged")
    assert browser.run("return window.tones") == []
    assert not browser.all("#hush")[0].is_displayed()


def test_a_new_alarm_sounds_until_silenced_and_the_wish_is_remembered(room: Room) -> None:
    browser = room.open()
    browser.run(TAP)
    browser.all("#sound")[0].click()
    browser.wait_text("#sound", "Sound on")
    assert len(browser.run("return window.tones")) == 1, "one hears that it works"
    room.plant.raise_alarm("XV-203")
    wait_for(lambda: len(browser.run("return window.tones")) == 4, "three tones of a high priority")
    assert {state for _, state in browser.run("return window.tones")} == {"running"}
    wait_for(lambda: len(browser.run("return window.tones")) == 7, "the sound to come back", 12)
    browser.wait("#hush:not([hidden])")
    browser.press("q")
    wait_for(lambda: not browser.all("#hush")[0].is_displayed(), "silence")
    room.plant.raise_alarm("XV-703", priority=Priority.LOW)
    wait_for(lambda: len(browser.run("return window.tones")) == 8, "the next alarm to sound")
    room.open()
    browser.wait(".alarm.unacknowledged")
    assert browser.all("#sound")[0].get_attribute("aria-pressed") == "true"
    assert not browser.all("#hush")[0].is_displayed(), "what was there before does not sound"
