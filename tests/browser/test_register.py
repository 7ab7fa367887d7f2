"""Register and baselines on their pages: looked at first, then put in force; what people do is on record."""

from __future__ import annotations

from pathlib import Path

import pytest
from selenium.webdriver.common.keys import Keys

from hissmark.decode.columns import UnknownName
from support.browser import Browser, wait_for
from support.room import Room

pytestmark = pytest.mark.browser


def click(browser: Browser, words: str, within: str = "main") -> None:
    """The first button in `within` that says `words` or is labelled so."""
    script = (
        "const [within, words] = arguments;"
        "const found = [...document.querySelectorAll(`${within} button`)].find((b) =>"
        " b.textContent === words || b.getAttribute('aria-label') === words);"
        "if (found) found.click(); return Boolean(found);"
    )
    wait_for(lambda: browser.run(script, within, words), f"the button {words!r}")


def fill(browser: Browser, selector: str, text: str) -> None:
    field = browser.wait(selector)
    field.clear()
    field.send_keys(text)


def confirm(browser: Browser, reason: str) -> None:
    """Name and reason in the dialog, then its button."""
    fill(browser, "dialog input[name=operator]", "M. Okafor")
    fill(browser, "dialog input[name=comment]", reason)
    browser.press(Keys.ENTER)
    wait_for(lambda: not browser.all("dialog"), "the dialog to close")


def sheet(room: Room, folder: Path, change: tuple[str, str]) -> str:
    """The register as a spreadsheet saves it, with a change: semicolons, Windows-1252."""
    text = (room.plant.folder / "register.csv").read_text("utf-8").replace(",", ";")
    made = folder / "valves.csv"
    made.write_bytes(text.replace(*change).encode("cp1252"))
    return str(made)


def test_a_spoiled_table_is_told_and_a_sound_one_comes_into_force(room: Room, tmp_path: Path) -> None:
    browser = room.open("/register")
    browser.wait_text("main", "channels on 40 valves")
    browser.wait("#table-file").send_keys(sheet(room, tmp_path, (";valve;XV-102;", ";vlave;XV-102;")))
    told = browser.wait_text(".looked", "One error keeps it from coming into force")
    assert "'vlave' is not known." in told
    assert "Did you mean 'valve'?" in told
    assert "Put in force" not in told
    browser.wait("#table-file").send_keys(sheet(room, tmp_path, (";XV-102;", ";XV-777;")))
    told = browser.wait_text(".looked", "It would change: 1 moved.")
    assert "What was heard on XV-102 stays with XV-102." in told
    assert browser.run("return document.activeElement.classList.contains('looked')")
    click(browser, "Put in force…", ".looked")
    confirm(browser, "wrong tag")
    browser.wait_text("main", "Version 1, imported by M. Okafor")
    assert "“wrong tag”" in browser.text("main")
    assert "XV-777" in (room.plant.folder / "register.csv").read_text("utf-8")
    click(browser, "What version 1 changed")
    browser.wait_text("main", "Version 1:")


def test_names_that_nobody_registered_are_added(room: Room) -> None:
    now_us = room.plant.clock.now_us()
    with room.plant.writer.transaction() as tx:
        tx.unknown({"AS-901": UnknownName("AS-901", "plant/north/levels", now_us, now_us, 12, 31.5)})
    browser = room.open("/register")
    browser.wait("tbody input[type=checkbox]").click()
    fill(browser, "[aria-label='Valve (empty: reference point) of AS-901']", "XV-901")
    fill(browser, "[aria-label='Group of AS-901']", "Letdown")
    click(browser, "Look at it")
    told = browser.wait_text(".looked", "error")
    assert "Number the channels in their order along the pipe." in told
    fill(browser, "[aria-label='Position of AS-901']", "9")
    click(browser, "Look at it")
    browser.wait_text(".looked", "It would change: 1 added.")
    click(browser, "Put in force…", ".looked")
    confirm(browser, "new valve")
    browser.wait_text("main", "channels added by M. Okafor")
    wait_for(lambda: room.plant.live.layout.register.valves.get("XV-901"), "the valve to be in force")


def test_a_sensor_is_moved(room: Room) -> None:
    room.plant.raise_alarm("XV-103")
    browser = room.open("/register")
    fill(browser, "[aria-label='Find channels']", "XV-103")
    click(browser, "Move AS-103")
    fill(browser, "dialog input", "XV-999")
    browser.press(Keys.ENTER)
    told = browser.wait_text(".looked", "It would change: 1 moved.")
    assert "The background is learned anew on XV-999." in told
    assert "its passing alarm stands, unacknowledged" in told
    click(browser, "Put aside", ".looked")
    assert not browser.wait(".looked", timeout_s=1).is_displayed()
    assert "XV-999" not in (room.plant.folder / "register.csv").read_text("utf-8")


def test_commissioning_check_of_a_group(room: Room) -> None:
    browser = room.open("/register")
    browser.wait(".commissioning option")
    click(browser, "Check", ".commissioning")
    told = browser.wait_text(".checks", "of 6 channels")
    assert "neither position nor pressures" in told or "closed" in told
    assert "Open a valve of the group" in told


def test_baselines_that_need_a_look_and_what_is_done_to_them(room: Room) -> None:
    browser = room.open("/baselines")
    told = browser.wait_text(".needs", "at its bound")
    assert "It may go no further." in told
    click(browser, "Approve AS-102, ordinary", ".needs")
    confirm(browser, "new compressor")
    wait_for(lambda: "at its bound" not in browser.text(".needs"), "the need to go")
    fill(browser, "[aria-label='Find baselines']", "AS-102")
    wait_for(lambda: "approved" in browser.text("main tbody"), "the state to be approved")
    click(browser, "Open AS-102, ordinary")
    record = "section[aria-labelledby=record-title]"
    click(browser, "Hold AS-102, ordinary", record)
    confirm(browser, "steam work")
    browser.wait_text(".needs", "held by hand")
    told = browser.wait_text(record, "hold, by M. Okafor: “steam work”")
    assert ", held." in told
    assert "approve, by M. Okafor: “new compressor”" in told
