"""The README keeps its promises: job first, two commands, links that lead somewhere, people's safety."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text("utf-8")
DEMO = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/hissmark demo"
TESTS = "tests/run"


def section(title: str) -> str:
    """The text under one second-level heading."""
    return README.split(f"\n## {title}\n")[1].split("\n## ")[0]


def commands(text: str) -> list[str]:
    """Every line of every shell block."""
    return [row for block in re.findall(r"```sh\n(.*?)```", text, re.S) for row in block.splitlines() if row]


def test_readme_opens_with_the_job_in_one_paragraph() -> None:
    """Title, then one paragraph that says what it does for whom, before anything else."""
    title, job, rest = README.split("\n\n", 2)
    assert title == "# hissmark"
    for word in ("valve", "leaks through its seat", "decibels", "MQTT", "names the valve"):
        assert word in " ".join(job.split())
    assert rest.startswith("> **An aid for finding leaks")


def test_set_up_is_two_commands() -> None:
    """Exactly these two, as they are typed."""
    assert commands(section("Set up")) == [DEMO, TESTS]


def test_commands_exist_and_may_be_run() -> None:
    assert os.access(ROOT / TESTS, os.X_OK)
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    assert TESTS in (ROOT / ".ci" / "run").read_text("utf-8").splitlines()[-1]


@pytest.mark.parametrize(
    "caution", ["not proof of isolation", "lockout/tagout", "permit", "hazardous areas", "licensed practice"]
)
def test_readme_warns_of_what_can_hurt_people(caution: str) -> None:
    assert caution in README


def documents() -> list[Path]:
    return [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "service" / "docs").rglob("*.md"))]


@pytest.mark.parametrize("page", documents(), ids=lambda p: str(p.relative_to(ROOT)))
def test_links_lead_somewhere(page: Path) -> None:
    """Every relative link and picture of the README and the manual exists, anchors too."""
    text = page.read_text("utf-8")
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if target.startswith(("http://", "https://", "mailto:")):
            continue
        path, _, anchor = target.partition("#")
        found = (page.parent / path) if path else page
        assert found.exists(), f"{page.name} links to {target}, which does not exist"
        if anchor:
            assert anchor in anchors(found.read_text("utf-8")), f"{page.name}: no heading for {target}"


def anchors(text: str) -> set[str]:
    """Anchors that a Markdown viewer gives to the headings."""
    heads = re.findall(r"^#+ (.+)$", text, re.M)
    return {re.sub(r"[^\w\- ]", "", head.lower()).strip().replace(" ", "-") for head in heads}


def test_pages_of_the_manual_are_listed() -> None:
    """A page that the table of contents does not name is never found."""
    contents = (ROOT / "service" / "docs" / "README.md").read_text("utf-8")
    pages = {p.relative_to(ROOT / "service" / "docs").as_posix() for p in documents()[2:]} - {"README.md"}
    assert {page for page in pages if f"({page})" not in contents} == set()


def test_manual_links_stay_inside_the_manual() -> None:
    """The manual is read from the wheel, where the rest of the repository does not exist."""
    for page in documents()[2:]:
        for target in re.findall(r"\]\(([^)\s]+)\)", page.read_text("utf-8")):
            assert not target.startswith("../"), f"{page.name} links to {target}"
