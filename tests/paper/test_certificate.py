"""The certificate on paper: one page whatever it holds, its text as a reader of PDF finds it."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from decimal import Decimal
from pathlib import Path

import pypdf
import pytest

from hissmark.paper.certificate import (
    Certified,
    NoCertificateError,
    certificate,
    certified_of,
)
from hissmark.paper.ink import drawable
from hissmark.paper.skyline import look_of, skyline
from hissmark.store.repair_records import Cost, Finding, Found, Repair, Work
from support.invented import MINUTE_US, NO_DIFFERENCE, PASSING, QUIET, START_US, Invented, Scene, invented

NOTE = "Seat scored, lapped and blued; new packing. Łukasz Jež helped. " * 3


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5}) as made:
        yield made


def mended(plant: Invented, after: Scene = QUIET, note: str = NOTE, group: str = "North") -> Certified:
    """Half an hour of leak, found and repaired, an hour of what comes after."""
    for minute in range(90):
        plant.tick({group: PASSING if minute < 30 else after}, START_US + minute * MINUTE_US)
    plant.clock.at_us = START_US + 90 * MINUTE_US
    plant.desk.record_finding(
        Finding("XV-103", START_US + 20 * MINUTE_US, Found.PASSING, "K. Moen", "audible")
    )
    cost = Cost(Decimal("1250"), "EUR")
    number = plant.desk.record_repair(
        Repair("XV-103", START_US + 30 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg", note, cost, "Kari")
    )
    return of(plant, number)


def of(plant: Invented, number: int) -> Certified:
    return certified_of(
        plant.desk.looked(), number, site="North works", register=plant.register,
        now_us=plant.clock.now_us(), version="9.9.9",
    )  # fmt: skip


def read(content: bytes) -> pypdf.PdfReader:
    return pypdf.PdfReader(io.BytesIO(content))


def text_of(content: bytes) -> str:
    return re.sub(r"\s+", " ", " ".join(page.extract_text() for page in read(content).pages))


def test_it_says_what_was_found_done_and_heard(plant: Invented) -> None:
    content = certificate(mended(plant))
    text = text_of(content)
    for said in (
        "Repair certificate no. 1", "North works, group North", "XV-103: tight again", "XV-103: it passes.",
        "2026-03-01 02:20:00Z, K. Moen", "seat lapped, finished 2026-03-01 02:30:00Z, by O. Berg",
        "Łukasz Jež", "1250.00 EUR", "31.0 bar before (at least 80 % of it is asked for), 31.0 bar after",
        "2026-03-01 02:40:00Z to 2026-03-01 03:10:00Z",
        "Before: 2026-03-01 02:00:00Z to 2026-03-01 02:29:00Z",
        "XV-103 passing, +14 dB", "not proof of isolation", "lockout/tagout", "by Kari", "hissmark 9.9.9",
        "37.2 dB",
    ):  # fmt: skip
        assert said in text, said


@pytest.mark.parametrize(
    ("paper", "size"),
    [("A4", (595.28, 841.89)), ("Letter", (612, 792))],
)
def test_it_is_one_page_of_the_paper_asked_for(
    plant: Invented, paper: str, size: tuple[float, float]
) -> None:
    """ISO 216: A4 is 210 by 297 mm. ANSI/ASME Y14.1: letter is 8.5 by 11 in. A point is 1/72 in."""
    found = read(certificate(mended(plant), paper))  # type: ignore[arg-type]
    assert len(found.pages) == 1
    box = found.pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(size, abs=0.01)


def test_a_large_group_and_a_long_note_stay_on_one_page(tmp_path: Path) -> None:
    many = replace(PASSING, heard=PASSING.heard + QUIET.heard * 5)
    calm = replace(QUIET, heard=QUIET.heard * 6)
    with invented(tmp_path, {"North": 35}) as plant:
        for minute in range(90):
            plant.tick({"North": many if minute < 30 else calm}, START_US + minute * MINUTE_US)
        plant.clock.at_us = START_US + 90 * MINUTE_US
        work = Repair(
            "XV-103", START_US + 30 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg", "A long story. " * 150
        )
        content = certificate(of(plant, plant.desk.record_repair(work)))
    assert len(read(content).pages) == 1
    text = text_of(content)
    assert "And 22 others that had risen less." in text
    assert "Read and accepted by" in text


def test_what_was_not_tested_is_said_to_be_so(plant: Invented) -> None:
    for minute in range(0, 15 * 24 * 60, 60):
        plant.tick({"North": NO_DIFFERENCE}, START_US + minute * MINUTE_US)
    plant.clock.at_us = START_US + 15 * 24 * 60 * MINUTE_US
    number = plant.desk.record_repair(
        Repair("XV-103", START_US + 30 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg")
    )
    text = text_of(certificate(of(plant, number)))
    assert "XV-103: not tested" in text
    assert "no pressure difference" in text
    assert "tight again" not in text


def test_the_same_record_gives_the_same_paper(plant: Invented) -> None:
    what = mended(plant)
    assert certificate(what) == certificate(what)


def test_there_is_none_while_the_check_runs_or_for_what_does_not_stand(plant: Invented) -> None:
    for minute in range(45):
        plant.tick({"North": QUIET}, START_US + minute * MINUTE_US)
    plant.clock.at_us = START_US + 45 * MINUTE_US
    first = plant.desk.record_repair(Repair("XV-103", START_US, Work.SEAT_LAPPED, "O. Berg"))
    first = plant.desk.record_repair(
        Repair("XV-103", START_US + 20 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg"), supersedes=first
    )
    with pytest.raises(NoCertificateError, match="has not ended yet: holding 14 of 30 min"):
        of(plant, first)
    with pytest.raises(NoCertificateError, match="corrected by 2"):
        of(plant, 1)
    sensor = plant.desk.record_repair(Repair("XV-103", START_US, Work.SENSOR_REPLACED, "O. Berg"))
    with pytest.raises(NoCertificateError, match="not checked: sensor replaced"):
        of(plant, sensor)
    with pytest.raises(NoCertificateError, match="no repair 99"):
        of(plant, 99)


def test_what_the_font_lacks_is_a_question_mark() -> None:
    assert drawable("Jež ≤ 3 dB") == "Jež ≤ 3 dB"
    assert drawable("弁") == "?"


def test_the_picture_tells_a_source_from_a_hole() -> None:
    """What is not known is drawn as a hole, never as a quiet channel."""
    row = {"channel": "A", "valve": "XV-A", "kind": "valve", "distance_m": 0.0, "level_db": 37.0,
           "baseline_db": 23.0, "rise_db": 14.0, "verdict": "passing", "reason": ""}  # fmt: skip
    looks = [row, row | {"level_db": None}, row | {"kind": "reference"}, row | {"verdict": "not testable"}]
    assert [look_of(r) for r in looks] == ["source", "hole", "reference", "untested"]
    assert skyline(looks, 400, 150).contents
