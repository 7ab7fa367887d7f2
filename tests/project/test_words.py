"""One word for one thing, and nothing in the code that only its makers understand."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TEXT = {
    ".py",
    ".md",
    ".toml",
    ".csv",
    ".yml",
    ".yaml",
    ".html",
    ".js",
    ".css",
    ".sh",
    ".conf",
    ".service",
    ".mako",
    "",
}

#: Pattern -> why it has no place here.
BANNED = {
    r"\bissues?\s+#?\d+\b|(?<![\w&/\"'(])#\d+\b(?!\s*[;:{])": "tracker numbers mean nothing to a reader",
    r"\b(?:TODO|FIXME|XXX|HACK)\b": "finish it or leave it out",
    r"\bNotImplementedError\b": "no stubs",
    r"\blorem ipsum\b": "no filler",
    r"(?<!/)\b(?:/work/|/tmp/clone)": "a path of one machine",
}
EXEMPT = {Path("tests/project/test_words.py")}


def text_files() -> list[Path]:
    """Tracked text files; without git everything but hidden folders, where environments and caches live."""
    listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    paths = [Path(name) for name in listed.stdout.split("\0") if name]
    if listed.returncode != 0:
        paths = [p.relative_to(ROOT) for top in ROOT.glob("[!.]*") for p in (top, *top.rglob("*"))]
    return sorted(p for p in paths if p.suffix in TEXT and p not in EXEMPT and (ROOT / p).is_file())


@pytest.mark.parametrize("pattern", BANNED, ids=BANNED.values())
def test_no(pattern: str) -> None:
    found = [
        f"{path}:{number}: {row.strip()}"
        for path in text_files()
        for number, row in enumerate((ROOT / path).read_text("utf-8").splitlines(), 1)
        if re.search(pattern, row, re.I if "lorem" in pattern or "issue" in pattern else 0)
    ]
    assert found == []


@pytest.mark.parametrize(
    "row", ["see issue 12", "fixed in #34 already", "# TODO later", "raise NotImplementedError"]
)
def test_the_scan_sees(row: str) -> None:
    """The scan itself: each of these must be caught."""
    assert [pattern for pattern in BANNED if re.search(pattern, row)]


def test_scan_reads_the_sources() -> None:
    assert Path("service/hissmark/__init__.py") in text_files()
