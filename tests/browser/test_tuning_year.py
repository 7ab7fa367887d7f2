"""A year at 10 s (and a group heard once an hour) judged again from the page: minutes, so it is slow.

What it takes is printed: `python -m pytest tests/browser/test_tuning_year.py -m slow -s`.
"""

from __future__ import annotations

import time
from collections.abc import Iterator

import pytest

from hissmark.engine.layout import Layout
from hissmark.engine.settings import RepairSettings
from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.repairs.build import desk_of
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.tune.runs import Runs
from hissmark.web import ActionOutcome, WebContext, create_app
from support.browser import Browser, serving
from support.invented import SetClock
from support.recorded import recording
from support.rig import START_US, US
from support.tuned_year import BACKGROUND_DB, BARS
from support.tuning_form import find_out
from support.written_year import HOURLY_DB, Written, write_year

LONGEST_S = 3600.0
pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.timeout(3 * LONGEST_S)]


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return write_year(tmp_path_factory.mktemp("year") / "site")


@pytest.fixture
def address(year: Written) -> Iterator[str]:
    """The page of a site that has just heard some minutes more, so that its groups are known."""
    with recording(year.site.folder) as rig:
        rig.now_s = (year.end_us - START_US) / US
        rig.run(600, BACKGROUND_DB | HOURLY_DB, BARS)
        clock = SetClock(year.end_us)
        live = LiveState(rig.layout, clock)
        live.tick(rig.last)
        runs = Runs(year.site.folder, clock.now_us)
        store = open_for_reading(year.site.store_url, year.site.folder)
        refused = ActionOutcome(False, "nobody acts here", None, None)
        desk = desk_of(
            lambda: year.site.register, year.site.core, RepairSettings(), writing=rig.store, reading=store,
            archive=year.site.archive, readings=live.readings, now_us=clock.now_us,
        )  # fmt: skip
        context = WebContext(
            live, Reader(store, year.site.archive), lambda request: refused, Metrics(), "North works",
            tuning=runs, desk=desk,
        )  # fmt: skip
        with serving(create_app(context)) as server:
            yield server.url
        runs.stop()
        store.dispose()


def ask(browser: Browser, kind: str, result: str, **values: str) -> float:
    """Find something out; how long it took, s."""
    began_s = time.monotonic()
    find_out(browser, kind, **values)
    browser.wait(result, result, LONGEST_S)
    return time.monotonic() - began_s


def test_a_year_at_10_s_is_judged_again_from_the_page(
    year: Written, address: str, one_browser: Browser
) -> None:
    browser = one_browser
    false, leaks = year.raised("XV-5", "passing", "contested"), year.raised("XV-1", "passing", "contested")
    assert false >= 10
    assert leaks >= 1
    browser.open(f"{address}/tuning?valve=XV-5")
    browser.wait("[name=values1]", "the form")
    took_s = ask(browser, "try", "section[aria-label=Difference] .tuning-counts", last="365", values1="10")
    assert f"{false} lost." in browser.text("section[aria-label=Difference]")
    assert f"{false + leaks} of {false + leaks} alarms as they happened" in browser.text(".tuning-said")
    print(f"\n{year.samples:,} samples on record; one value tried over the year: {took_s:.0f} s")

    took_s = ask(browser, "sweep", "circle.here", values1="5 6 7 8 9 10 12 14")
    passing = year.raised("XV-1", "passing") + year.raised("XV-5", "passing")
    assert f"{passing} passing alarms" in browser.text("section[aria-label=Trade-off]")
    print(f"eight values swept over the year: {took_s:.0f} s")
    assert browser.complaints() == []


def test_a_group_heard_once_an_hour_is_judged_again_too(
    year: Written, address: str, one_browser: Browser
) -> None:
    browser = one_browser
    browser.open(f"{address}/tuning?group=radio")
    browser.wait("[name=values1]", "the form")
    took_s = ask(browser, "try", "section[aria-label=Difference]", last="365", values1="5")
    assert "Nothing would have been different." in browser.text("section[aria-label=Difference]")
    print(f"\na year at one sample an hour: {took_s:.0f} s")
    assert Layout.of(year.site.register, year.site.core).group_names == ("header", "radio")
