"""How the pages look: contrast, no sideways scrolling, and the pictures for the README.

Set HISSMARK_PICTURES to a folder to keep the pictures.
"""

from __future__ import annotations

import os
import re
from importlib import resources
from pathlib import Path

import pytest

from hissmark.alarms.journal import AlarmKind, Priority
from hissmark.web import create_app
from support.browser import browsing, serving
from support.invented import Invented
from support.room import BUSY, mended

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


@pytest.mark.browser
@pytest.mark.parametrize("size", [(1920, 1080), (1024, 768)], ids=["wall", "tablet"])
@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
def test_pages_fit(plant: Invented, tmp_path: Path, size: tuple[int, int], dark: bool) -> None:
    plant.tick(BUSY)
    plant.raise_alarm("XV-203")
    plant.raise_alarm("XV-703", alarm=AlarmKind.CONTESTED, priority=Priority.MEDIUM, ago_min=31, rise_db=10.3)
    mended(plant)
    folder = Path(os.environ.get("HISSMARK_PICTURES", tmp_path))
    pages = {
        "now": "/",
        "group": "/group/Steam%20header%20B",
        "valve": "/valve/XV-203?last=1h",
        "sensors": "/sensors",
        "register": "/register",
        "baselines": "/baselines",
        "figures": "/figures?last=24h",
        "handover": "/handover",
        "repairs": "/repairs",
        "repair": "/repairs/1",
    }
    with serving(create_app(plant.context)) as server, browsing(size, dark=dark) as browser:
        for name, path in pages.items():
            browser.open(server.url + path)
            browser.wait(".u-over" if name == "valve" else "main h1")
            wide = browser.run("return document.documentElement.scrollWidth")
            assert wide <= size[0], f"{name} scrolls sideways"
            picture = folder / f"{name}-{size[0]}-{'dark' if dark else 'light'}.png"
            browser.picture(picture)
            assert picture.stat().st_size > 10_000
        assert browser.complaints() == []
