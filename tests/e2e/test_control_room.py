"""A shift in front of the page, everything real: broker, `hissmark run`, Chromium. Nobody has read a manual.

Which valve leaks, why the program thinks so, acknowledge it, shelve another, look back, be cut off and see
again, hand over.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.select import Select

from hissmark.publish.times import rfc3339
from support.broker import Broker
from support.browser import Browser, browsing, wait_for
from support.publish import Gateway, Sent, senml_pack
from support.service import Service, write_site

pytestmark = [pytest.mark.broker, pytest.mark.browser]

MINUTE_US = 60_000_000
LEVELS = {  # group -> level of its valves: quiet, leaking
    "header": ((30.0, 30.0, 30.0), (40.0, 55.0, 44.0)),
    "rack": ((28.0, 31.0, 29.0), (52.0, 43.0, 36.0)),
}
REGISTER: list[dict[str, object]] = [
    {"channel": f"AX-{g}{i}", "kind": "valve", "valve": f"XV-{g}{i}", "group": group, "position": i}
    for g, group in enumerate(LEVELS, 1)
    for i in range(1, 4)
]


def packs(from_us: int, minutes: int, leaking: set[str], seed: int) -> Iterator[Sent]:
    """A pack a minute, six samples a channel."""
    rng = np.random.default_rng(seed)
    for m in range(minutes):
        rows = [
            (f"AX-{g}{i}", from_us + m * MINUTE_US + s * 10_000_000, level + rng.normal(0, 0.4), "dB")
            for s in range(6)
            for g, (group, levels) in enumerate(LEVELS.items(), 1)
            for i, level in enumerate(levels[group in leaking], 1)
        ]
        yield "plant/a/levels", senml_pack(rows)


def answer(browser: Browser, *keys: str) -> None:
    browser.wait("dialog[open]")
    browser.press(*keys)
    wait_for(lambda: not browser.all("dialog"), "the dialog to close")


@pytest.fixture
def room(tmp_path: Path, broker: Broker) -> Iterator[tuple[Service, Gateway, Browser, int]]:
    """Hours of quiet, then both groups leak; the page Now is open. The last is how far the data has come.

    Later data lies ahead of the clock, which the site allows here: half an hour on the shelf passes at once.
    """
    now_us = time.time_ns() // 1000 // MINUTE_US * MINUTE_US
    tables = {"baseline": {"learn_s": 3600, "learn_windows": 5}, "signal": {"max_ahead_s": 4 * 3600}}
    gateway = Gateway(broker)
    with Service(write_site(tmp_path / "site", broker, REGISTER, tables=tables)) as service:
        service.start()
        gateway.send(list(packs(now_us - 180 * MINUTE_US, 160, set(), 1)))
        gateway.send(list(packs(now_us - 20 * MINUTE_US, 20, set(LEVELS), 2)))
        with browsing() as browser:
            browser.open(f"http://127.0.0.1:{service.port}/")
            yield service, gateway, browser, now_us
    gateway.close()


def test_a_shift(room: tuple[Service, Gateway, Browser, int]) -> None:
    service, gateway, browser, data_us = room
    wait_for(lambda: len(browser.all(".alarm.unacknowledged")) == 2, "two alarms")
    said = browser.text(".alarms")
    assert "XV-12 is passing" in said
    assert "XV-21 is passing" in said
    assert "Check that it is fully closed" in said

    # why: from the card to the group to the reasons, told by the living engine
    browser.all('.alarm[data-key="XV-12|passing"] a')[0].click()
    browser.wait_text(".why", "Why XV-12 is passing")
    assert "XV-12 passing" in browser.text(".compared .words")
    assert "The verdict ends when its rise falls below" in browser.text(".wants")
    assert "XV-11 and XV-13 hear its spill" in browser.text(".belief")
    assert service.get("/api/v1/valves/XV-12/explain")["basis"] == "live"
    browser.press("n")
    wait_for(lambda: len(browser.all(".alarm")) == 2, "the overview")

    # acknowledge the one, shelve the other for half an hour
    browser.run("document.querySelector('.alarm[data-key=\"XV-12|passing\"]').focus()")
    browser.press("a")
    answer(browser, "Kari", Keys.TAB, "fitter called", Keys.ENTER)
    browser.wait(".alarm.acknowledged")
    browser.run("document.querySelector('.alarm[data-key=\"XV-21|passing\"]').focus()")
    browser.press("s")
    browser.wait("dialog[open]")
    Select(browser.all("dialog select")[0]).select_by_visible_text("30 minutes")
    answer(browser, Keys.TAB, Keys.TAB, "scaffold in the way", Keys.ENTER)
    browser.wait_text(".put-aside summary", "1 on the shelf")

    # look back to when all was quiet; now goes on calling beside it
    browser.press("<")
    browser.wait("html.past")
    browser.wait_text(".plant-panel .count", "6 quiet")
    browser.press(Keys.ESCAPE)
    browser.wait("html:not(.past)")

    # the clock runs on: the shelved one comes back, by itself and before everybody
    gateway.send(list(packs(data_us, 45, set(LEVELS), 3)))
    browser.wait('.alarm.unacknowledged[data-key="XV-21|passing"]', "the end of the shelf")
    assert "its time is up" in browser.wait_text(".changes-panel", "off the shelf again")

    # cut off, and back
    service.kill()
    browser.wait("html.blind", "the page to say that it is blind")
    service.start()
    browser.wait("html:not(.blind)", "the page to see again")
    browser.wait('.alarm.unacknowledged[data-key="XV-21|passing"]')
    browser.wait('.alarm.acknowledged[data-key="XV-12|passing"]')

    # repaired: what was acknowledged goes, what nobody has seen stays as gone
    gateway.send(list(packs(data_us + 45 * MINUTE_US, 40, set(), 4)))
    wait_for(lambda: not browser.all('.alarm[data-key="XV-12|passing"]'), "XV-12 to go")
    browser.wait('.alarm.rtn-unacknowledged[data-key="XV-21|passing"]', "XV-21 to be told as gone")

    # hand over
    browser.press("h")
    browser.wait_text(".part.acknowledged", "acknowledged by Kari: fitter called")
    assert "XV-21: passing shelved by Kari: scaffold in the way" in browser.text(".part.put_aside")
    browser.wait(".note-form textarea").send_keys("XV-12 repaired, look at XV-21.")
    browser.all(".note-form button")[0].click()
    browser.wait_text(".notes", "XV-12 repaired, look at XV-21.")
    span = f"from={rfc3339(data_us - 60 * MINUTE_US)}&to={rfc3339(data_us + 120 * MINUTE_US)}"
    browser.open(f"http://127.0.0.1:{service.port}/handover?{span}")
    browser.wait_text(".part.went", "XV-12: passing back to normal")
    assert browser.complaints() == []
    assert service.stop() == 0
