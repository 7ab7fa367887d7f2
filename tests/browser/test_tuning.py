"""The page Tuning over a real store and engine: try, sweep, suggest, publish; the next tick judges by it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.webdriver.common.keys import Keys

from hissmark.engine.change import Change, Level, settings_change
from hissmark.engine.settings import RepairSettings
from hissmark.judge.verdicts import Verdict
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.repairs.build import desk_of
from hissmark.site.load import load_site
from hissmark.store import open_for_actions, open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.repair_records import Finding, Found
from hissmark.store.repairs import RepairBook
from hissmark.tune.runs import Runs
from hissmark.web import ActionOutcome, WebContext, create_app
from support.browser import Browser, serving, wait_for
from support.invented import SetClock
from support.recorded import RecordedRig, recording, write_site
from support.rig import START_US, US
from support.tuning_form import fill, find_out

QUIET = {f"AE-{i}": 24.0 + i for i in range(1, 6)}
LEAK = QUIET | {"AE-1": 38.0, "AE-2": 30.0, "AE-3": 31.0, "AE-4": 27.0}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[RecordedRig]:
    """Two and a half hours on record, with a leak of XV-1 that stands."""
    with recording(write_site(tmp_path / "site")) as made:
        made.run(5400, QUIET, {"ZT-1": 0.5})
        made.run(3600, LEAK, {"ZT-1": 0.5})
        with made.writer.transaction() as tx:
            tx.journal(made.journal)
        yield made


@pytest.fixture
def address(rig: RecordedRig, tmp_path: Path) -> Iterator[str]:
    site = load_site(tmp_path / "site")
    store, writing = (o(site.store_url, site.folder) for o in (open_for_reading, open_for_actions))
    clock = SetClock(START_US + 9000 * US)

    def change(wanted: Change) -> ActionOutcome:
        return ActionOutcome(True, "applied", rig.change(wanted), rig.last.at_us)

    def act(request: Any) -> ActionOutcome:
        pytest.fail(f"nobody acts here: {request}")

    runs = Runs(site.folder, clock.now_us)
    live = LiveState(rig.layout, clock)
    live.tick(rig.last)
    rig.watch = live.tick
    desk = desk_of(
        lambda: site.register, site.core, RepairSettings(), writing=writing, reading=store,
        archive=site.archive, readings=live.readings, now_us=clock.now_us,
    )  # fmt: skip
    reader = Reader(store, site.archive)
    context = WebContext(
        live, reader, act, Metrics(), "North works", change=change, tuning=runs, desk=desk
    )  # fmt: skip
    with serving(create_app(context)) as server:
        yield server.url
    runs.stop()
    store.dispose()
    writing.dispose()


BETWEEN = {"last": "", "from": "2026-03-01T02:30", "to": "2026-03-01T03:30"}
"""Oslo; 01:30 to 02:30 UTC: the leak and its beginning."""


def sign(browser: Browser, reason: str) -> None:
    """Answer the dialog that asks who and why."""
    browser.wait("dialog[open] [name=comment]")
    browser.run("document.querySelector('dialog [name=operator]').value = 'O. Berg'")
    browser.all("dialog [name=comment]")[0].send_keys(reason)
    browser.all("dialog button.acknowledge")[0].click()
    browser.wait_text("body", "On record and in force from the next tick on.")


def row_of(browser: Browser, text: str) -> str:
    rows = [r.get_property("textContent") for r in browser.all(".tuning-versions tbody tr")]
    return next((str(r) for r in rows if text in str(r)), "")


def limit(rig: RecordedRig, valve: str = "XV-1") -> float:
    return float(rig.engine.stepper.tuned.rise_limit_db[rig.place(valve)])


def test_from_too_many_alarms_to_another_setting_and_back(
    rig: RecordedRig, address: str, one_browser: Browser
) -> None:
    browser = one_browser
    browser.open(f"{address}/tuning")
    browser.wait_text(".busiest", "XV-1 in header: 1 alarm.")
    assert "Well over the limit and lasting" in browser.text(".busiest")
    browser.all(".busiest button")[0].click()
    browser.wait_text(".tuning-form .hint", "In force for XV-1: 6 dB (site.toml or default)")
    find_out(browser, "try", **BETWEEN, values1="20")
    told = browser.wait_text("section[aria-label=Difference]", "lost", 60)
    assert "1 lost." in told
    assert "nothing tells which alarms were right" in told
    assert "1 alarm." in browser.text("section[aria-label='What happened']")
    assert "No alarm." in browser.text("section[aria-label='What would have happened']")
    link = browser.all("section[aria-label=Difference] td a[href*='at=']")[0].get_attribute("href") or ""
    assert "/valve/XV-1?last=24h&at=2026-03-01T" in link
    assert rig.verdict("XV-1") is Verdict.PASSING

    browser.all(".tuning-live button")[0].click()
    sign(browser, "too many")
    wait_for(lambda: "XV-1: rise_limit_db not set → 20 dB" in row_of(browser, "too many"), "the version")
    rig.run(1800, QUIET, {"ZT-1": 0.5})
    assert limit(rig) == 20.0
    rig.run(1800, LEAK, {"ZT-1": 0.5})
    assert rig.verdict("XV-1") is not Verdict.PASSING

    browser.all(".tuning-versions .row button")[-1].click()  # back to site.toml
    assert "XV-1: rise_limit_db 20 dB → taken back" in browser.wait_text("dialog .steps", "rise_limit_db")
    sign(browser, "a leak was missed")
    wait_for(lambda: row_of(browser, "a leak was missed"), "the version that takes it back")
    rig.run(120, LEAK, {"ZT-1": 0.5})
    assert limit(rig) == 6.0
    assert rig.verdict("XV-1") is Verdict.PASSING
    assert browser.complaints() == []


def test_sweeps_and_a_suggestion_lead_to_a_trial(
    rig: RecordedRig, address: str, one_browser: Browser, tmp_path: Path
) -> None:
    book = RepairBook(rig.store, rig.store)
    found_us = START_US + 8000 * US
    book.add_finding(Finding("XV-1", found_us, Found.PASSING, "O. Berg"), found_us)
    browser = one_browser
    browser.open(f"{address}/tuning?valve=XV-1")
    browser.wait("[name=values1]", "the form")
    find_out(browser, "sweep", **BETWEEN, values1="4 6 30")
    browser.wait("circle.here", "the present point", 60)
    curves = browser.all(".tuning-curve")
    assert [c.get_attribute("aria-label").split(" by ")[0] for c in curves] == [
        "Share of known leaks found", "Not known to be right, in a valve and year",
    ]  # fmt: skip
    assert "Now: rise_limit_db 6: 1 passing alarm, 0 not known to be right" in browser.text(
        "section[aria-label=Trade-off]"
    )
    assert "known leaks found: 1 of 1 (21 to 100 %)" in browser.text("section[aria-label=Trade-off]")

    find_out(browser, "sweep", values1="6 30", setting2="odds_limit", values2="2 8")
    browser.wait(".heat", "the table of two settings", 60)
    cells = browser.all(".cell")
    assert len(cells) == 4
    assert "◎" in cells[0].text  # rise_limit_db 6, odds_limit 2: in force
    cells[0].send_keys(Keys.ARROW_RIGHT, Keys.ARROW_DOWN, Keys.ENTER)
    told = browser.wait_text(".tuning-chosen", "rise_limit_db 30, odds_limit 8")
    assert "0 passing alarms" in told
    assert "known leaks found: 0 of 1" in told
    browser.all(".tuning-chosen button")[0].click()
    assert "1 lost." in browser.wait_text("section[aria-label=Difference]", "lost", 60)
    assert "Known leaks found: 1 of 1" in browser.text("section[aria-label=Difference]")

    find_out(browser, "suggest", budget="0,1")
    said = browser.wait_text(".tuning-says", "For at most 0.1 false alarms in a valve and year", 120)
    assert "Of 1 known leak 1 would have been found" in said
    assert any("◆" in c.text for c in browser.all(".cell"))
    fill(browser, over="own")
    find_out(
        browser, "suggest", budget="100", setting1="on_delay_s", values1="300 600", setting2="", values2=""
    )
    said = browser.wait_text(".tuning-says", "For at most 100 false alarms in a valve and year", 60)
    assert "on_delay_s" in said
    number = browser.run("return location.search")
    browser.open(f"{address}/tuning{number}")  # the address keeps the result
    browser.wait_text(".tuning-says", "For at most 100 false alarms")
    assert browser.complaints() == []


def test_what_is_missing_is_said_and_a_trial_can_be_called_off(address: str, one_browser: Browser) -> None:
    browser = one_browser
    browser.open(f"{address}/tuning")
    browser.wait("[name=values1]", "the form")
    for values, said in (
        ({"values1": ""}, "Which value of rise_limit_db?"),
        ({"values1": "eight"}, "should be numbers"),
        ({"values1": "8", "place": "XV-77"}, "no valve or group “XV-77”"),
        ({"place": "", "setting2": "rise_limit_db", "values2": "3"}, "two different settings"),
    ):
        find_out(browser, "try", **values)
        browser.wait_text(".tuning-form .trouble", said)
    find_out(browser, "sweep", **BETWEEN, setting2="", values1="3:20:40")
    browser.wait(".tuning-said button").click()
    browser.wait_text(".tuning-said", "The trial was called off.")
    assert browser.complaints() == []


def test_the_settings_of_an_alarm_are_told_on_its_valve(
    rig: RecordedRig, address: str, one_browser: Browser
) -> None:
    number = rig.change(settings_change(Level.VALVE, "XV-1", {"rise_limit_db": 9.0}, "O. Berg", "noisy"))
    rig.run(120, LEAK, {"ZT-1": 0.5})
    browser = one_browser
    browser.open(f"{address}/valve/XV-1?open=settings")
    told = browser.wait_text(".settings-then[open]", "Settings in force now: 1 tuned")
    assert f"rise_limit_db9 dBvalve XV-1, version {number}" in told
    browser.open(f"{address}/valve/XV-1?open=settings&at=2026-03-01T02:00:00Z")
    browser.wait_text(".settings-then[open]", "Settings in force then: as in site.toml")
