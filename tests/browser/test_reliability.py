"""An engineer new to the program, on a plant with a past: from too many alarms to a proved repair.

A valve with too many alarms is found, why it alarms is seen, two settings are tried, one is put live and
counts from the next tick on; it is taken back, and the former alarms come back. Then a repair is put on
record, proves itself, and its certificate is printed. All from the pages, and all from the command line, on
the real service with a real broker. The past is one of some days here; the walk over a year is slow.
"""

from __future__ import annotations

import io
import json
import shlex
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
from support.manual import blocks
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


def walk(plant: Plant) -> Iterator[list[list[str]]]:
    """The steps of the walk in the manual, each as the words of its commands; `north` is the plant."""
    for block in blocks("tuning.md", "sh"):
        lines = [shlex.split(line) for line in block.splitlines() if line]
        yield [[str(plant.folder) if word == "north" else word for word in words[1:]] for words in lines]


def command(words: list[str], *more: str) -> str:
    done = hissmark(*words, *more)
    assert done.returncode == 0, done.stderr
    return done.stdout


def answers(words: list[str]) -> list[dict[str, Any]]:
    return [json.loads(line) for line in command(words, "--json").splitlines()]


def test_from_too_many_alarms_to_a_proved_repair_by_commands(
    plant: Plant, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The walk of the manual, with its commands; between them the plant goes on."""
    monkeypatch.chdir(tmp_path)
    see, attempt, publish, back, repair = walk(plant)
    plant.go_on(1.5, BLOWDOWN_DB)
    before = plant.raised("XV-5")
    busiest = answers(see[0])[0]
    assert (busiest["valve"], busiest["setting"]) == ("XV-5", "rise_limit_db")
    assert "XV-5: passing" in command(see[1])
    lost = [answers(words)[0]["counts"]["lost"] for words in attempt]
    assert lost[0] == 0 < lost[1]
    plant.go_on(1.0, {})
    assert "is in force from the next tick on" in command(publish[0], "--wait", "60")
    plant.go_on(1.5, BLOWDOWN_DB)
    assert plant.raised("XV-5") == before
    assert "hears the drain beside it" in command(back[0])
    assert "is in force from the next tick on" in command(back[1], "--wait", "60")
    plant.go_on(0.5, BLOWDOWN_DB)
    assert plant.raised("XV-5") == before + 1

    plant.go_on(1.5, LEAK_DB)
    raised = [row["valve"] for row in answers(["alarms", str(plant.folder)]) if row["event"] == "raised"]
    assert raised.count("XV-1") == 2  # the leak of the past, and this one
    work_us = plant.now_us
    plant.go_on(1.5, {})
    record, listed, certificate = repair
    command(record, "--at", rfc3339(work_us))
    until(lambda: "tight again" in command(listed), "the repair to prove itself")
    command(certificate)
    assert "XV-1: tight again" in printed(Path("xv-1.pdf").read_bytes())
