"""The page Tuning over a real store and engine: try, sweep, publish, and the next tick judges by it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from hissmark.engine.change import Change
from hissmark.judge.verdicts import Verdict
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.publish.times import rfc3339
from hissmark.site.load import load_site
from hissmark.store import open_for_actions, open_for_reading
from hissmark.store.changes import record_change
from hissmark.store.reader import Reader
from hissmark.tune.runs import Runs
from hissmark.web import ActionOutcome, WebContext, create_app
from support.browser import Browser, serving
from support.invented import SetClock
from support.recorded import RecordedRig, recording, write_site
from support.rig import START_US, US

QUIET = {f"AE-{i}": 24.0 + i for i in range(1, 6)}
LEAK = QUIET | {"AE-1": 38.0, "AE-2": 30.0, "AE-3": 31.0, "AE-4": 27.0}


@pytest.fixture
def rig(tmp_path: Path) -> Iterator[RecordedRig]:
    """Five hours on record, with a leak of XV-1 that stands."""
    with recording(write_site(tmp_path / "site")) as made:
        made.run(6000, QUIET, {"ZT-1": 0.5})
        made.run(9000, LEAK, {"ZT-1": 0.5})
        with made.writer.transaction() as tx:
            tx.journal(made.journal)
        yield made


@pytest.fixture
def address(rig: RecordedRig, tmp_path: Path) -> Iterator[str]:
    site = load_site(tmp_path / "site")
    store, writing = (o(site.store_url, site.folder) for o in (open_for_reading, open_for_actions))
    clock = SetClock(START_US + 15_000 * US)

    def change(wanted: Change) -> ActionOutcome:
        number = record_change(writing, wanted, clock.now_us())
        known = replace(rig.engine.admit(wanted), id=number)
        rig.engine.change(known)
        with rig.writer.transaction() as tx:
            tx.action_applied(number, known.effective_us, "applied")
        return ActionOutcome(True, "applied", number, known.effective_us)

    def act(request: Any) -> ActionOutcome:
        pytest.fail(f"nobody acts here: {request}")

    runs = Runs(site.folder, clock.now_us)
    reader = Reader(store, site.archive)
    live = LiveState(rig.layout, clock)
    context = WebContext(live, reader, act, Metrics(), "North works", change=change, tuning=runs)
    with serving(create_app(context)) as server:
        yield server.url
    runs.stop()
    store.dispose()
    writing.dispose()


def fill(browser: Browser, **values: str) -> None:
    browser.run(
        "for (const [n, v] of Object.entries(arguments[0])) document.querySelector(`[name=${n}]`).value = v",
        values,
    )


def test_try_publish_and_take_back(
    rig: RecordedRig, address: str, one_browser: Browser, tmp_path: Path
) -> None:
    browser = one_browser
    browser.open(f"{address}/tuning?valve=XV-1")
    browser.wait("[name=setting]", "the form")
    period = {"from": rfc3339(START_US + 6000 * US), "to": rfc3339(START_US + 15_000 * US)}
    fill(browser, **period, setting="rise_limit_db", values="20")
    browser.wait(".tuning-form button").click()
    told = browser.wait_text("section[aria-label=Difference]", "lost", 60)
    assert "1 lost" in told
    assert "1 alarm" in browser.text("section[aria-label='What happened']")
    assert rig.verdict("XV-1") is Verdict.PASSING
    fill(browser, operator="O. Berg", reason="too many")
    browser.wait("form[aria-label='Put it live'] button").click()
    browser.wait_text("#versions-title ~ div", "rise_limit_db", 10)
    ticks = len(rig.ticks)
    rig.run(300, QUIET | {"AE-5": 40.0}, {"ZT-1": 0.5})
    assert len(rig.ticks) > ticks
    assert float(rig.engine.stepper.tuned.rise_limit_db[rig.place("XV-1")]) == 20.0
    browser.picture(tmp_path / "tried.png")
    fill(browser, **period, setting="rise_limit_db", values="4 8 12 20")
    browser.wait(".tuning-form button").click()
    browser.wait("circle.here", "the present point", 60)
    assert len(browser.all("circle.tried")) == 4
    browser.picture(tmp_path / "swept.png")
    assert browser.complaints() == []
