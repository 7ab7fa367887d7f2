"""The worth of a leak on the valve's page, in a real browser."""

from __future__ import annotations

import pytest

from hissmark.appraise.points import new_point
from hissmark.store.calibrations import Assumption
from support.invented import MINUTE_US, START_US
from support.room import BUSY, Room

pytestmark = pytest.mark.browser

LEAKS = (("3.2 kg/h", "36 dB"), ("0.9 kg/h", "31 dB"), ("9 kg/h", "41 dB"))


def passing(room: Room) -> None:
    """XV-203 passes for a quarter of an hour, its fluid known."""
    for k in range(15, -1, -1):
        room.plant.tick(BUSY, START_US - k * MINUTE_US)
    room.plant.raise_alarm("XV-203")
    room.plant.worth.assume(Assumption("fluid", "natural gas", None, "Kari", ""))


def fill(room: Room, name: str, text: str) -> None:
    room.browser.run(f"document.querySelector('dialog [name={name}]').value = {text!r}")


def test_without_a_measured_leak_it_says_what_is_needed(room: Room) -> None:
    passing(room)
    room.open("/valve/XV-203?last=1h")
    said = room.browser.wait(".worth .sentence").text
    assert "No leak of this valve has been measured yet" in said
    assert not room.browser.run("return [...document.querySelectorAll('.worth dl, .fit')].length")


def test_three_measured_leaks_give_a_rate_with_interval_and_origin(room: Room) -> None:
    """Typed into the form one after the other; then the page shows rate, picture, points and every step."""
    passing(room)
    room.open("/valve/XV-203?last=1h")
    room.browser.wait(".worth .head button")
    for i, (leak, level) in enumerate(LEAKS, 1):
        room.browser.run("document.querySelector('.worth .head button').click()")
        room.browser.wait("dialog[open]")
        for name, text in (("leak", leak), ("level", level), ("upstream", "31 barg"), ("operator", "Kari")):
            fill(room, name, text)
        room.browser.run("document.querySelector('dialog button.acknowledge').click()")
        made = "leak through" if i == 1 else f"from {i} measured leaks"
        room.browser.wait_text(".worth .sentence", made)
    said = room.browser.text(".worth .sentence")
    assert "90 %" in said
    assert " to " in said
    assert room.browser.run("return document.querySelectorAll('.fit .point circle').length") == 3
    steps = room.browser.run(
        "return [...document.querySelectorAll('.worth details')].find(d => d.textContent.startsWith('Where "
        "this'))"
        ".textContent"
    )
    assert "leak alone" in steps
    assert "measured leak 3" in steps
    assert "31 barg" in steps


def test_a_slip_is_told_in_the_form(room: Room) -> None:
    passing(room)
    room.open("/valve/XV-203?last=1h")
    room.browser.wait(".worth .head button")
    room.browser.run("document.querySelector('.worth .head button').click()")
    fill(room, "leak", "3 dogs")
    fill(room, "operator", "Kari")
    room.browser.run("document.querySelector('dialog button.acknowledge').click()")
    room.browser.wait_text("dialog .trouble", "is no flow")
    assert room.plant.reader.calibrations() == []
    assert [c for c in room.browser.complaints() if "422" not in c] == []  # the refusal is meant


def test_the_alarm_says_how_much_leaks(room: Room) -> None:
    passing(room)
    channel = room.plant.register.valves["XV-203"]
    typed = {"leak": "3.2 kg/h", "level": "36 dB", "upstream": "31 barg"}
    known = room.plant.worth.appraiser.knowledge()
    room.plant.worth.add(new_point(channel, START_US, typed, "Kari", "", known, room.plant.reader))
    room.open("/")
    room.browser.wait_text(".alarm .sentence", "kg/h of natural gas leak through (")
