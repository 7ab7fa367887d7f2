"""The page "Repairs": put a repair on record, see its check run, print its certificate."""

from __future__ import annotations

import base64
import io
import urllib.request

import pypdf
import pytest

from support.browser import Browser
from support.invented import MINUTE_US, PASSING, QUIET, START_US
from support.room import GROUPS, Room, mended

pytestmark = pytest.mark.browser
GROUP = GROUPS[0]


def leak(room: Room, from_min: int, to_min: int) -> None:
    for minute in range(from_min, to_min):
        room.plant.tick({GROUP: PASSING}, START_US + minute * MINUTE_US)


def calm(room: Room, from_min: int, to_min: int) -> None:
    for minute in range(from_min, to_min):
        room.plant.tick({GROUP: QUIET}, START_US + minute * MINUTE_US)


def choose(browser: Browser, name: str, value: str) -> None:
    browser.run(
        "const s = document.querySelector(`.record-form [name=${arguments[0]}]`); s.value = arguments[1];"
        "s.dispatchEvent(new Event('change', {bubbles: true}))", name, value,
    )  # fmt: skip


def write(browser: Browser, name: str, text: str) -> None:
    browser.all(f".record-form [name={name}]")[0].send_keys(text)


def test_a_repair_is_put_on_record_proves_itself_and_prints(room: Room) -> None:
    """Recorded some time after the work: the check reads what was heard since."""
    leak(room, -90, -25)
    calm(room, -25, 0)
    browser = room.open("/repairs")
    browser.wait_text(".done", "No repair is on record yet.")
    write(browser, "valve", "XV-103")
    choose(browser, "found", "passing")
    choose(browser, "work", "seat-lapped")
    choose(browser, "at", "2026-03-01T02:35:00")  # Oslo; 01:35 UTC
    write(browser, "who", "O. Berg")
    write(browser, "note", "Seat scored.")
    write(browser, "amount", "1250,50")
    write(browser, "currency", "eur")
    browser.all(".record-form button")[0].click()
    browser.wait_text(".told", "Finding 1 is on record. Repair 1 is on record.")
    browser.wait_text(".done tbody", "holding 15 of 30 min")
    assert "1\u202f250.50 EUR" in browser.text(".done tbody")
    assert "It was repaired, and its check runs" in browser.text(".next")

    calm(room, 1, 20)
    room.plant.raise_alarm("XV-203")  # something happens, so the page looks again
    browser.wait_text(".done tbody", "tight again")
    browser.all(".done tbody a")[0].click()
    said = browser.wait_text(".repair .verdict", "tight again")
    assert "under a pressure difference of 31.0 bar" in said
    assert len(browser.all(".repair .skyline")) == 2
    link = next(a for a in browser.all(".tools a") if "A4" in a.text).get_attribute("href") or ""
    with urllib.request.urlopen(link) as answer:
        paper = pypdf.PdfReader(io.BytesIO(answer.read()))
    assert len(paper.pages) == 1
    assert "XV-103: tight again" in paper.pages[0].extract_text()


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"valve": "XV-999", "who": "O"}, "There is no valve “XV-999”"),
        ({"valve": "XV-103", "who": "O"}, "Say what was found, what was done, or both."),
        ({"valve": "XV-103"}, "Say what was found"),
        ({"who": "O"}, "Which valve?"),
    ],
)
def test_what_is_missing_is_said_and_nothing_is_sent(room: Room, fields: dict[str, str], said: str) -> None:
    browser = room.open("/repairs")
    browser.wait(".record-form")
    for name, text in fields.items():
        write(browser, name, text)
    browser.all(".record-form button")[0].click()
    browser.wait_text(".record-form .trouble", said)
    assert room.plant.desk.book.repairs() == room.plant.desk.book.findings() == []


def test_what_to_repair_and_what_to_leave_alone(room: Room) -> None:
    room.plant.tick({GROUPS[1]: PASSING})
    browser = room.open("/repairs")
    browser.wait_text(".deeds.repair", "XV-203")
    assert "they hear XV-203 along the pipe; repair that one" in browser.text(".next")
    browser.all(".deeds.repair .button")[0].click()
    browser.wait(".record-form [name=valve]")
    assert browser.all(".record-form [name=valve]")[0].get_property("value") == "XV-203"


def test_a_repair_recorded_by_mistake_is_taken_back(room: Room) -> None:
    mended(room.plant)
    browser = room.open("/repairs/1")
    browser.wait_text(".verdict", "tight again")
    browser.all(".correction summary")[0].click()
    for name, text in (("operator", "Kari"), ("note", "other valve")):
        browser.all(f".correction [name={name}]")[0].send_keys(text)
    browser.all(".correction button")[0].click()
    browser.wait_text(".verdict", "corrected by 2")
    assert [row.stands for row in room.plant.desk.book.repairs()] == [False, False]


def test_a_repair_on_paper(room: Room) -> None:
    """The page prints as well: black on white, without what cannot be clicked there."""
    mended(room.plant)
    browser = room.open("/repairs/1")
    browser.wait(".repair .skyline")
    sheet = browser.driver.execute_cdp_cmd("Page.printToPDF", {"paperWidth": 8.27, "paperHeight": 11.69})
    text = "\n".join(
        p.extract_text() for p in pypdf.PdfReader(io.BytesIO(base64.b64decode(sheet["data"]))).pages
    )
    assert "tight again" in text
    assert "Before" in text
    assert "not proof of isolation" in text
    assert "Recorded by mistake" not in text
