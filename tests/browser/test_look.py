"""How the pages look: contrast, no sideways scrolling, and the pictures for the README.

HISSMARK_PICTURES names a folder for the pictures of the README, HISSMARK_LOOK one for those of every page.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from importlib import resources
from pathlib import Path

import pytest
from PIL import Image

from hissmark.alarms.journal import AlarmKind, Priority
from hissmark.publish.times import rfc3339
from hissmark.tune.runs import Runs
from hissmark.web import create_app
from support.browser import Browser, Server, browsing, serving
from support.invented import MINUTE_US, QUIET, START_US, Invented
from support.room import BUSY, GROUPS, mended

STYLE = (resources.files("hissmark.web") / "static" / "style.css").read_text("utf-8")


def _themes() -> dict[str, dict[str, str]]:
    light, dark = re.search(r":root \{(.*?)\}", STYLE, re.S), re.search(r'"dark"\] \{(.*?)\}', STYLE, re.S)
    assert light is not None
    assert dark is not None
    return {
        name: dict(re.findall(r"--([a-z-]+): #([0-9a-f]{6})\b", found[1]))
        for name, found in (("light", light), ("dark", dark))
    }


def _luminance(colour: str) -> float:
    """WCAG 2.2, definition of relative luminance."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(a: str, b: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    light, dark = sorted((_luminance(a), _luminance(b)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_contrast_formula() -> None:
    """Black on white is 21:1 by definition (WCAG 2.2)."""
    assert _contrast("000000", "ffffff") == pytest.approx(21)


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize(
    ("front", "back", "least"),
    [
        ("ink", "panel", 7.0), ("ink", "ground", 7.0), ("soft", "panel", 4.5), ("soft", "ground", 4.5),
        ("alarm-ink", "panel", 4.5), ("alarm", "panel", 3.0),
    ],
)  # fmt: skip
def test_text_and_marks_can_be_read(theme: str, front: str, back: str, least: float) -> None:
    """WCAG 2.2, 1.4.3 (text 4.5:1), 1.4.6 (7:1) and 1.4.11 (marks 3:1)."""
    colours = _themes()[theme]
    assert _contrast(colours[front], colours[back]) >= least


def at(minute: float) -> str:
    return rfc3339(START_US + round(minute * MINUTE_US))


PAGES = {
    "now": "/",
    "group": "/group/Steam%20header%20B",
    "valve": f"/valve/XV-203?from={at(-85)}&to={at(-2)}",
    "past": f"/group/Steam%20header%20B?at={at(-30)}",
    "sensors": "/sensors",
    "register": "/register",
    "baselines": "/baselines",
    "figures": "/figures?last=24h",
    "handover": "/handover",
    "repairs": "/repairs",
    "tuning": "/tuning",
    "repair": "/repairs/1",
}
IN_THE_README = ("now", "group", "valve", "past")
MOST_BYTES = 150_000


def lived_in(plant: Invented) -> None:
    """An hour and a half of past, alarms, repairs."""
    for minute in range(90, 0, -1):
        at_us = START_US - minute * MINUTE_US
        plant.tick(BUSY if minute < 62 else dict.fromkeys(GROUPS, QUIET), at_us)
    plant.tick(BUSY)
    plant.raise_alarm("XV-203", ago_min=55)
    plant.raise_alarm("XV-703", alarm=AlarmKind.CONTESTED, priority=Priority.MEDIUM, ago_min=31, rise_db=10.3)
    mended(plant)


def show(browser: Browser, server: Server, name: str) -> None:
    browser.open(server.url + PAGES[name])
    browser.wait({"valve": ".u-over", "group": ".compared", "past": ".peak"}.get(name, "main h1"))


@pytest.mark.browser
@pytest.mark.parametrize(
    ("size", "dark"),
    [
        ((1920, 1080), False),
        pytest.param((1920, 1080), True, marks=pytest.mark.slow),
        pytest.param((1366, 768), False, marks=pytest.mark.slow),
        ((1024, 768), True),
    ],
    ids=["wall light", "wall dark", "laptop light", "tablet dark"],
)
def test_pages_fit(plant: Invented, tmp_path: Path, size: tuple[int, int], dark: bool) -> None:
    lived_in(plant)
    folder = Path(os.environ.get("HISSMARK_LOOK", tmp_path))
    context = replace(plant.context, tuning=Runs(plant.folder, plant.clock.now_us))
    with serving(create_app(context)) as server, browsing(size, dark=dark) as browser:
        for name in PAGES:
            show(browser, server, name)
            wide = browser.run("return document.documentElement.scrollWidth")
            assert wide <= size[0], f"{name} scrolls sideways"
            picture = folder / f"{name}-{size[0]}-{'dark' if dark else 'light'}.png"
            browser.picture(picture)
            assert picture.stat().st_size > 10_000
        assert browser.complaints() == []


@pytest.mark.browser
def test_pictures_of_the_readme(plant: Invented, tmp_path: Path) -> None:
    """The few that the README and the manual show, in few colours so that they stay small."""
    lived_in(plant)
    folder = Path(os.environ.get("HISSMARK_PICTURES", tmp_path))
    with serving(create_app(plant.context)) as server, browsing() as browser:
        for name in IN_THE_README:
            show(browser, server, name)
            path = folder / f"{name}-1920-light.png"
            browser.picture(path)
            with Image.open(path) as picture:
                few = picture.convert("RGB").quantize(64, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE)
            few.save(path, optimize=True)
            assert 10_000 < path.stat().st_size < MOST_BYTES
