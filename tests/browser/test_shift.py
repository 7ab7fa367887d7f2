"""The pages "Alarm figures" and "Handover": what they show, the data behind it, notes, paper."""

from __future__ import annotations

import base64
import io
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind, Priority
from support.browser import Browser, wait_for
from support.room import Room

pytestmark = pytest.mark.browser

TAKEN = (
    "const make = URL.createObjectURL; window.taken = [];"
    "URL.createObjectURL = (b) => { b.text().then((t) => window.taken.push(t)); return make(b); }"
)


def flood(room: Room, alarms: int = 13) -> None:
    """So many alarms within 10 minutes of the clock, 01:33 to 01:37 UTC."""
    for i in range(alarms):
        valve = f"XV-{i % 8 + 1}0{i % 5 + 1}"
        room.plant.raise_alarm(valve, ago_min=27 - i * 0.25, priority=list(Priority)[i % 3])
        if i % 3 == 0:
            room.plant.clear_alarm(valve)


def bar_counts(browser: Browser, section: str) -> list[str]:
    script = "return [...document.querySelectorAll(arguments[0])].map(t => t.textContent)"
    found = browser.run(script, f"section[aria-labelledby={section}] rect title")
    return [str(text) for text in found]


def test_figures_show_load_and_limits(room: Room) -> None:
    flood(room)
    browser = room.open("/figures?last=24h")
    said = browser.wait_text(".figures .sentence", "13 alarms")
    assert "1 flood" in said
    assert "Over the limit: share of time in floods" not in said  # 10 min of a day are 0.7 %
    assert "Less than 30 days are on record" in browser.text(".figures-body")
    assert bar_counts(browser, "per_10_min-title") == ["1 Mar 02:30: 13"]  # Oslo
    assert len(browser.all("#per_10_min-title ~ svg rect.over")) == 1
    assert bar_counts(browser, "per_hour-title") == ["1 Mar 02:00: 13"]
    label = browser.all("#per_10_min-title ~ svg")[0].get_attribute("aria-label") or ""
    assert "at most 13. Acceptable 1, at most 2." in label
    floods = browser.run(
        "return [...document.querySelectorAll('#stale-title ~ .long td')].map(n => n.innerText)"
    )
    assert floods[-2:] == ["10", "13"]


def test_the_limits_are_those_of_the_standard(room: Room) -> None:
    """ISA-18.2 / EEMUA 191 as second-hand publications give them: 1 and 2, 6 and 12, 150 and 300; 1 %; 5."""
    browser = room.open("/figures")
    browser.wait("#limits-title ~ div tbody")
    rows = browser.run(
        "return [...document.querySelectorAll('#limits-title ~ div tbody tr')]"
        ".map(r => [...r.children].map(c => c.textContent))"
    )
    limits = {row[0]: (row[2], row[3]) for row in rows}
    assert limits["Alarms per 10 minutes"] == ("1", "2")
    assert limits["Alarms per hour"] == ("6", "12")
    assert limits["Alarms per day"] == ("150", "300")
    assert limits["Share of time in floods"] == ("", "1.0 %")
    assert limits["Stale alarms at one moment"] == ("", "5")


def test_the_numbers_behind_a_picture_are_one_click_away(room: Room) -> None:
    flood(room)
    browser = room.open("/figures?last=24h")
    browser.run(TAKEN)
    browser.wait("#per_10_min-title ~ details summary").click()
    box = browser.all("#per_10_min-title ~ details")[0]
    next(b for b in box.find_elements("css selector", "button") if "CSV" in b.text).click()
    text = wait_for(lambda: browser.run("return window.taken[0]"), "the file")
    lines = str(text).split("\r\n")
    assert lines[0] == "Begins,Alarms"
    assert "2026-03-01T01:30:00.000Z,13" in lines
    assert len(lines) == 74  # head, 72 periods, end of the last line


def test_figures_of_one_group_and_span_stay_in_the_address(room: Room) -> None:
    flood(room)
    browser = room.open("/figures?last=7d")
    browser.wait_text(".figures .sentence", "13 alarms")
    browser.run(
        "const s = document.querySelector('.figures select'); s.value = 'Letdown';"
        "s.dispatchEvent(new Event('change', {bubbles: true}))"
    )
    browser.wait_text(".figures .sentence", "2 alarms")
    assert "last=7d&group=Letdown" in browser.driver.current_url


def test_the_figures_count_on_by_themselves(room: Room) -> None:
    """A new alarm is in the figures without a reload; what was unfolded stays unfolded."""
    room.plant.raise_alarm("XV-101", ago_min=3)
    browser = room.open("/figures?last=24h")
    browser.wait_text(".figures .sentence", "1 alarm,")
    browser.wait("#per_10_min-title ~ details summary").click()
    room.plant.raise_alarm("XV-201", ago_min=1)
    browser.wait_text(".figures .sentence", "2 alarms,")
    assert browser.run("return document.querySelector('#per_10_min-title ~ details').open")


def test_a_shift_is_handed_over(room: Room) -> None:
    plant = room.plant
    plant.raise_alarm("XV-101", ago_min=13 * 60)  # before the shift
    plant.raise_alarm("XV-203", ago_min=50)
    plant.raise_alarm("XV-301", ago_min=40)
    plant.clear_alarm("XV-301")
    plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-203", AlarmKind.PASSING, "Kari", "fitter called"))
    until_us = plant.clock.now_us() + 3_600_000_000
    plant.act(ActionRequest(ActionKind.SHELVE, "XV-101", AlarmKind.PASSING, "Ola", "scaffold", until_us))
    browser = room.open()
    browser.wait("main h1")
    browser.press("h")
    browser.wait_text(".part.stood", "XV-101")
    assert browser.text("#came-title") == "Came 2"
    assert "XV-301: passing back to normal" in browser.text(".part.went")
    assert "XV-101: passing shelved by Ola: scaffold" in browser.text(".part.put_aside")
    assert "acknowledged by Kari: fitter called" in browser.text(".part.acknowledged")
    assert browser.text("#stand-title") == "Stands at the end 3"
    plant.raise_alarm("XV-401", ago_min=0)
    browser.wait_text(".part.came", "XV-401")


def test_a_note_is_left_and_stays(room: Room) -> None:
    browser = room.open("/handover")
    browser.wait_text(".notes", "No notes yet.")
    browser.wait(".note-form textarea").click()
    browser.press("Due for repair on Monday.", Keys.TAB, "XV-999", Keys.TAB, "Kari", Keys.ENTER)
    browser.wait_text(".note-form .trouble", "There is no valve “XV-999”")
    valve = browser.all(".note-form [name=valve]")[0]
    valve.clear()
    valve.send_keys("XV-203")
    browser.all(".note-form button")[0].click()
    said = browser.wait_text(".notes", "Due for repair on Monday.")
    assert "Kari about XV-203" in said
    [note] = room.plant.reader.shift_notes(limit=10)
    assert (note.author, note.valve, note.text) == ("Kari", "XV-203", "Due for repair on Monday.")
    assert browser.all(".note-form textarea")[0].get_property("value") == ""


def test_an_empty_note_is_not_sent(room: Room) -> None:
    browser = room.open("/handover")
    browser.wait(".note-form button").click()
    browser.wait_text(".note-form .trouble", "nothing in it")
    assert room.plant.reader.shift_notes(limit=10) == []


def test_handover_as_csv(room: Room) -> None:
    room.plant.raise_alarm("XV-203", ago_min=50)
    browser = room.open("/handover")
    browser.wait_text(".part.came", "XV-203")
    browser.run(TAKEN)
    next(b for b in browser.all(".tools button") if "CSV" in b.text).click()
    text = str(wait_for(lambda: browser.run("return window.taken[0]"), "the file"))
    assert text.startswith("part,at,valve,group,alarm,event,state,priority,operator,comment,sentence\r\n")
    assert "came,2026-03-01T01:10:0" in text


def test_handover_on_paper(room: Room) -> None:
    """A4, black on white, without what cannot be clicked there; text can be selected."""
    pypdf: Any = pytest.importorskip("pypdf")
    room.plant.raise_alarm("XV-203", ago_min=50)
    browser = room.open("/handover")
    browser.wait_text(".part.came", "XV-203")
    sheet = browser.driver.execute_cdp_cmd(
        "Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69, "preferCSSPageSize": False}
    )
    read = pypdf.PdfReader(io.BytesIO(base64.b64decode(sheet["data"])))
    text = "\n".join(page.extract_text() for page in read.pages)
    assert "Handover, North works" in text
    assert "XV-203: passing raised" in text
    assert "not proof of isolation" in text
    for gone in ("Download as CSV", "Leave this note", "Find a tag"):
        assert gone not in text
    assert len(read.pages) <= 2
