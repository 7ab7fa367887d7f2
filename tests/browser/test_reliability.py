"""An engineer new to the program, on a plant with a past: from too many alarms to a proved repair.

A valve with too many alarms is found, why it alarms is seen, two settings are tried, one is put live and
counts from the next tick on; it is taken back, and the former alarms come back. Then a repair is put on
record, proves itself, and its certificate is printed. All from the pages, and all from the command line, on
the real service with a real broker. The past is one of some days here; the walk over a year is slow.
"""

from __future__ import annotations

import io
import json
import shutil
import urllib.request
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pypdf
import pytest

from hissmark.publish.times import rfc3339
from support.broker import Broker
from support.browser import Browser, wait_for
from support.command import hissmark
from support.service import until
from support.tuned_year import BLOWDOWN_DB, LEAK_DB, WEEK, YEAR, Plant, begin_us

pytestmark = [pytest.mark.broker, pytest.mark.browser]
ZONE = ZoneInfo("Europe/Oslo")


@pytest.fixture(scope="module")
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    with Broker(tmp_path_factory.mktemp("broker")) as broker:
        yield broker


@pytest.fixture(scope="module")
def filled(broker: Broker, tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """Some days on record; every test goes on from a copy."""
    made = Plant(WEEK, tmp_path_factory.mktemp("filled") / "site", broker, begin_us(WEEK))
    made.fill()
    return made


@pytest.fixture
def plant(filled: Plant, tmp_path: Path) -> Iterator[Plant]:
    own = replace(filled, folder=Path(shutil.copytree(filled.folder, tmp_path / "site")))
    own.lay_out()
    with own.start():
        yield own


@pytest.fixture
def year(broker: Broker, tmp_path: Path) -> Iterator[Plant]:
    made = Plant(YEAR, tmp_path / "site", broker, begin_us(YEAR))
    made.fill()
    with made.start():
        yield made


def fill(browser: Browser, form: str, **values: str) -> None:
    script = """for (const [name, value] of Object.entries(arguments[1])) {
      const field = document.querySelector(`${arguments[0]} [name=${name}]`);
      field.value = value;
      field.dispatchEvent(new Event("change", {bubbles: true}));
    }"""
    browser.run(script, form, values)


def sign(browser: Browser, reason: str) -> None:
    browser.wait("dialog[open] [name=comment]")
    browser.run("document.querySelector('dialog [name=operator]').value = 'O. Berg'")
    browser.all("dialog [name=comment]")[0].send_keys(reason)
    browser.all("dialog button.acknowledge")[0].click()
    wait_for(lambda: not browser.all("dialog[open]"), "the dialog to be answered")


def as_written(at_us: int) -> str:
    """A moment as the browser's field for it takes it."""
    return datetime.fromtimestamp(at_us / 1e6, UTC).astimezone(ZONE).strftime("%Y-%m-%dT%H:%M:%S")


def trial(browser: Browser, **values: str) -> str:
    """Try values; what the page says of the difference."""
    before = browser.run("return location.search")
    fill(browser, ".tuning-form", **values)
    browser.all(".tuning-form button.acknowledge")[0].click()
    wait_for(lambda: browser.run("return location.search") != before, "the trial to begin")
    browser.wait("section[aria-label=Difference]", "its result", 300)
    return browser.text("section[aria-label=Difference]")


def from_the_pages(plant: Plant, browser: Browser) -> None:
    assert plant.service is not None
    page = f"http://127.0.0.1:{plant.service.port}"
    plant.go_on(1.5, BLOWDOWN_DB)
    before = plant.raised("XV-5")
    browser.open(page)
    browser.wait_text(".alarm-list", "XV-5 is passing")
    browser.open(f"{page}/tuning")
    why = browser.wait_text(".busiest li:first-child", "XV-5 in header")
    assert "just over it" in why
    assert "try rise_limit_db" in why
    browser.all(".busiest button")[0].click()
    browser.wait_text(".tuning-form .hint", "In force for XV-5: 6 dB")
    everything = "365" if plant.past.days > 30 else "30"
    assert "Nothing would have been different." in trial(browser, values1="7", last=everything)
    told = trial(browser, values1="10")
    assert f"{before} lost." in told
    plant.go_on(1.0, {})

    browser.all(".tuning-live button")[0].click()
    sign(browser, "the drain beside it")
    browser.wait_text(".tuning-versions tbody", "XV-5: rise_limit_db not set → 10 dB")
    plant.go_on(1.5, BLOWDOWN_DB)
    assert plant.verdict("XV-5") != "passing"
    assert plant.raised("XV-5") == before
    browser.all(".tuning-versions .row button")[-1].click()
    browser.wait_text("dialog .steps", "XV-5: rise_limit_db 10 dB → taken back")
    sign(browser, "to be looked at first")
    wait_for(lambda: "to be looked at first" in browser.text(".tuning-versions tbody"), "the version")
    plant.go_on(0.5, BLOWDOWN_DB)
    assert plant.verdict("XV-5") == "passing"
    assert plant.raised("XV-5") == before + 1

    plant.go_on(1.5, LEAK_DB)
    browser.open(f"{page}/repairs")
    browser.wait_text(".deeds.repair", "XV-1")
    work_us = plant.now_us
    plant.go_on(1.5, {})
    fill(
        browser, ".record-form", valve="XV-1", found="passing", work="seat-lapped", who="O. Berg",
        at=as_written(work_us),
    )  # fmt: skip
    browser.all(".record-form button.acknowledge")[0].click()
    browser.wait_text(".told", "Repair 1 is on record.")
    browser.wait_text(".done tbody", "tight again", 60)
    browser.all(".done tbody a")[0].click()
    browser.wait_text(".repair .verdict", "tight again")
    link = next(a for a in browser.all(".tools a") if "A4" in a.text).get_attribute("href") or ""
    with urllib.request.urlopen(link) as answer:
        assert "XV-1: tight again" in printed(answer.read())
    assert browser.complaints() == []


def printed(certificate: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(certificate)).pages
    assert len(pages) == 1
    return str(pages[0].extract_text())


def test_from_too_many_alarms_to_a_proved_repair_on_the_pages(plant: Plant, one_browser: Browser) -> None:
    from_the_pages(plant, one_browser)


@pytest.mark.slow
def test_the_same_over_a_year(year: Plant, one_browser: Browser) -> None:
    from_the_pages(year, one_browser)


def command(plant: Plant, name: str, *words: str) -> str:
    done = hissmark(name, str(plant.folder), *words)
    assert done.returncode == 0, done.stderr
    return done.stdout


def answers(plant: Plant, name: str, *words: str) -> list[dict[str, Any]]:
    return [json.loads(line) for line in command(plant, name, *words, "--json").splitlines()]


def test_from_too_many_alarms_to_a_proved_repair_by_commands(plant: Plant, tmp_path: Path) -> None:
    signed = ("--by", "O. Berg", "--reason", "the drain beside XV-5", "--wait", "60")
    plant.go_on(1.5, BLOWDOWN_DB)
    before = plant.raised("XV-5")
    busiest = answers(plant, "tune", "busiest")[0]
    assert (busiest["valve"], busiest["setting"]) == ("XV-5", "rise_limit_db")
    trial = ("try", "--setting-of", "XV-5", "--valve", "XV-5", "--before", "2", "--from", "4d")
    tried = [answers(plant, "tune", *trial, "--set", f"rise_limit_db={db}")[0] for db in (7, 10)]
    lost = [result["counts"]["lost"] for result in tried]
    assert lost[0] == 0 < lost[1]
    plant.go_on(1.0, {})
    told = command(plant, "tune", "publish", "--valve", "XV-5", "--set", "rise_limit_db=10", *signed)
    assert "is in force from the next tick on" in told
    plant.go_on(1.5, BLOWDOWN_DB)
    assert plant.raised("XV-5") == before
    assert "is in force from the next tick on" in command(plant, "tune", "roll-back", "0", *signed)
    plant.go_on(0.5, BLOWDOWN_DB)
    assert plant.raised("XV-5") == before + 1

    plant.go_on(1.5, LEAK_DB)
    raised = [row["valve"] for row in answers(plant, "alarms") if row["event"] == "raised"]
    assert raised.count("XV-1") == 2  # the leak of the past, and this one
    work = ("--found", "passing", "--work", "seat-lapped", "--by", "O. Berg", "--at", rfc3339(plant.now_us))
    plant.go_on(1.5, {})
    command(plant, "repair", "record", "XV-1", *work)
    until(lambda: "tight again" in command(plant, "repair", "list"), "the repair to prove itself")
    command(plant, "repair", "certificate", "1", "--out", str(tmp_path / "xv-1.pdf"))
    assert "XV-1: tight again" in printed((tmp_path / "xv-1.pdf").read_bytes())
