"""`hissmark repair` and `hissmark report`, as a person gives them, on a real site folder."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import pypdf
import pytest
from typer.testing import CliRunner

from hissmark.cli.main import app
from support.invented import MINUTE_US, PASSING, QUIET, START_US, STORE_URL, Invented, invented

REGISTER = "channel,kind,valve,group,position,upstream_pressure,downstream_pressure\n" + "".join(
    f"AS-10{i},valve,XV-10{i},North,{i},PT-101,PT-102\n" for i in range(1, 6)
)
SITE = f"""name = "North works"
[mqtt]
host = "127.0.0.1"
port = 1
client_id = "hm"
[[mqtt.source]]
filter = "plant/+/levels"
[store]
url = "{STORE_URL}"
"""
DONE = ("--work", "seat-lapped", "--by", "O. Berg", "--at", "2026-03-01T02:30:00Z")


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Path]:
    """XV-103 passes for half an hour, then all is quiet for an hour."""
    (tmp_path / "site.toml").write_text(SITE)
    (tmp_path / "register.csv").write_text(REGISTER)
    with invented(tmp_path, {"North": 5}) as plant:
        stretch(plant)
        yield tmp_path


def stretch(plant: Invented) -> None:
    plant.hear(["AS-101"], START_US)
    for minute in range(90):
        plant.tick({"North": PASSING if minute < 30 else QUIET}, START_US + minute * MINUTE_US)


def run(site: Path, *words: str, code: int = 0) -> str:
    done = CliRunner().invoke(app, [words[0], str(site), *words[1:]])
    assert done.exit_code == code, done.output
    return done.output


def test_a_repair_is_recorded_listed_and_shown(site: Path) -> None:
    said = run(
        site, "repair", "record", "XV-103", "--found", "passing", *DONE, "--cost", "1250", "--currency", "eur"
    )
    assert said.splitlines() == [
        "Finding 1 is on record: XV-103 passing.", "Repair 1 is on record: XV-103 seat lapped.",
    ]  # fmt: skip
    listed = run(site, "repair", "list")
    assert "seat lapped" in listed
    assert "1250.00 EUR" in listed
    assert "tight again" in listed
    rows = [json.loads(line) for line in run(site, "repair", "list", "--json").splitlines()]
    assert [(r["kind"], r["valve"]) for r in rows] == [("finding", "XV-103"), ("repair", "XV-103")]
    shown = run(site, "repair", "show", "1")
    assert "XV-103 is tight again" in shown
    assert "37.2 dB" in shown
    assert "not proof of isolation" in shown


def test_a_certificate_and_a_report_are_written(site: Path) -> None:
    run(site, "repair", "record", "XV-103", *DONE)
    assert "certificate of repair 1, XV-103, Letter" in run(
        site, "repair", "certificate", "1", "--out", str(site / "c.pdf"), "--paper", "letter"
    )
    [page] = pypdf.PdfReader(site / "c.pdf").pages
    assert "XV-103: tight again" in page.extract_text()
    span = ("--from", "2026-03-01", "--to", "2026-03-02")
    for name in ("r.pdf", "r.html"):
        run(site, "report", *span, "--out", str(site / name))
    assert "Report, North works" in (site / "r.html").read_text("utf-8")
    assert "Repair 1: XV-103" in "".join(p.extract_text() for p in pypdf.PdfReader(site / "r.pdf").pages)


def test_what_to_repair_next(site: Path) -> None:
    said = run(site, "repair", "next")
    assert "Nothing is to be repaired" in said
    assert "nothing can be said of what was saved" in said


def test_a_correction_and_a_withdrawal(site: Path) -> None:
    run(site, "repair", "record", "XV-102", *DONE)
    run(site, "repair", "record", "XV-103", *DONE, "--corrects", "1")
    assert "XV-102" not in run(site, "repair", "list")
    assert "corrected by 2" in run(site, "repair", "list", "--all")
    assert "taken back" in run(site, "repair", "withdraw", "2", "--by", "Kari", "--note", "never done")
    assert "Nothing is on record yet." in run(site, "repair", "list")


@pytest.mark.parametrize(
    ("words", "code", "why"),
    [
        (("record", "XV-103", "--by", "Kari"), 2, "say what was found"),
        (("record", "XV-103", "--work", "seat-lapped"), 2, "--by is needed"),
        (("record", "XV-103", "--work", "prayed", "--by", "K"), 1, "One of: closed-fully"),
        (("record", "XV-104X", "--work", "other", "--by", "K"), 1, "Near it: XV-104"),
        (("record", "XV-103", "--work", "other", "--by", "K", "--cost", "5"), 2, "go together"),
        (("record", "XV-103", "--work", "other", "--by", "K", "--at", "soon"), 1, "RFC 3339"),
        (("show", "7"), 1, "there is no repair 7"),
        (("certificate", "7", "--out", "x.pdf"), 1, "There is no repair 7"),
        (("certificate", "7", "--out", "x.pdf", "--paper", "A5"), 1, "A4 and Letter"),
    ],
)
def test_mistakes_are_named(site: Path, words: tuple[str, ...], code: int, why: str) -> None:
    assert why in " ".join(run(site, "repair", *words, code=code).replace("│", " ").split())


def test_a_report_goes_into_html_or_pdf_only(site: Path) -> None:
    assert "ends in .pdf or .html" in run(site, "report", "--out", "r.doc", code=1)
