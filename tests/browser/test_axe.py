"""Accessibility: axe-core over every page in both themes, and over every dialog.

axe-core (Mozilla Public Licence) comes from npm into the test's own folder; nothing of it is kept.
"""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from hissmark.alarms.journal import ActionKind, ActionRequest, AlarmKind, Priority
from hissmark.appraise.points import new_point
from hissmark.publish.times import rfc3339
from hissmark.store.calibrations import Assumption
from hissmark.web import create_app
from support.browser import Browser, browsing, serving, wait_for
from support.invented import MINUTE_US, START_US, Invented
from support.room import BUSY, mended

pytestmark = pytest.mark.browser

VERSION = "4.11.0"
RUN = (
    "const done = arguments[arguments.length - 1];"
    "axe.run(document, {resultTypes: ['violations']}).then(r => done(r.violations.map(v =>"
    " v.id + ': ' + v.nodes.slice(0, 3).map(n => n.target.join(' ') + ' ' + n.failureSummary).join(' | '))))"
)
PAST = rfc3339(START_US - MINUTE_US)
PAGES = {
    "/": ".alarm",
    "/group/Steam%20header%20B": ".skyline",
    "/valve/XV-203?last=1h": ".worth dl",
    f"/?at={PAST}": "html.past .tile",
    f"/group/Steam%20header%20B?at={PAST}": "html.past .skyline",
    f"/valve/XV-203?last=1h&at={PAST}": "html.past .u-over",
    "/figures?last=24h": "#limits-title",
    "/handover": ".part.came li",
    "/journal": "tbody tr",
    "/sensors": "tbody tr",
    "/register": "section[aria-labelledby=rows-title] tbody tr",
    "/baselines": "tbody tr",
    "/repairs": "tbody tr",
    "/tuning": "[name=values1]",
    "/repairs/1": ".skyline",
}


@pytest.fixture(scope="module")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """axe-core's script."""
    folder: Path = tmp_path_factory.mktemp("axe")
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("npm is not installed, so axe-core cannot be fetched")
    got = subprocess.run(
        [npm, "install", "--ignore-scripts", "--no-audit", "--no-fund", "--silent", f"axe-core@{VERSION}"],
        cwd=folder, capture_output=True, text=True, timeout=120,
    )  # fmt: skip
    if got.returncode != 0:
        pytest.skip(f"axe-core cannot be fetched: {got.stderr[-200:]}")
    return (folder / "node_modules" / "axe-core" / "axe.min.js").read_text("utf-8")


def busy(plant: Invented) -> None:
    """Something of everything: several alarms, one shelved, one gone, a note, a minute of the past."""
    mended(plant)
    plant.tick(BUSY, START_US - MINUTE_US)
    plant.tick(BUSY)
    for valve in ("XV-203", "XV-101", "XV-301", "XV-501"):
        plant.raise_alarm(valve)
    plant.raise_alarm("XV-703", alarm=AlarmKind.CONTESTED, priority=Priority.MEDIUM, ago_min=31)
    plant.clear_alarm("XV-301")
    plant.act(ActionRequest(ActionKind.ACKNOWLEDGE, "XV-501", AlarmKind.PASSING, "Kari"))
    until_us = plant.clock.now_us() + 3_600_000_000
    plant.act(ActionRequest(ActionKind.SHELVE, "XV-101", AlarmKind.PASSING, "Ola", "scaffold", until_us))
    plant.write_note("Kari", "Due for repair on Monday.", "XV-203")
    channel, known = plant.register.valves["XV-203"], plant.worth.appraiser.knowledge()
    typed = {"leak": "3.2 kg/h", "level": "36 dB", "fluid": "methane", "upstream": "31 barg"}
    plant.worth.assume(Assumption("fluid", "methane", None, "Kari", ""))
    plant.worth.add(new_point(channel, plant.clock.now_us(), typed, "Kari", "", known, plant.reader))


def violations(browser: Browser, axe: str) -> list[str]:
    # Pages allow scripts from their own server only; the driver's own scripts are not bound by that.
    browser.run(axe + "; window.axe = axe;")
    return [str(row) for row in browser.driver.execute_async_script(RUN)]


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_no_page_has_a_violation(plant: Invented, axe: str, dark: bool) -> None:
    busy(plant)
    with serving(create_app(plant.context)) as server, browsing(dark=dark) as browser:
        browser.driver.set_script_timeout(60)
        found = {}
        for path, ready in PAGES.items():
            browser.open(server.url + path)
            browser.wait(ready)
            browser.run("for (const d of document.querySelectorAll('details')) d.open = true")
            found[path] = violations(browser, axe)
    assert {path: rows for path, rows in found.items() if rows} == {}


def test_no_dialog_has_a_violation(plant: Invented, axe: str) -> None:
    busy(plant)
    with serving(create_app(plant.context)) as server, browsing() as browser:
        browser.driver.set_script_timeout(60)
        browser.open(server.url)
        found = {}
        for key in "asom/?":
            browser.run("document.querySelector('.alarm.unacknowledged').focus()")
            browser.press(key)
            browser.wait("dialog[open]")
            found[key] = violations(browser, axe)
            browser.run("document.querySelector('dialog').close()")
            wait_for(lambda: not browser.all("dialog"), "the dialog to close")
    assert {key: rows for key, rows in found.items() if rows} == {}
