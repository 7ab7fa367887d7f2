"""The report of a period: the same words in HTML and PDF, made on a schedule, sent as a letter."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pypdf
import pytest
from fastapi.testclient import TestClient

from hissmark.notify.letters import Postman
from hissmark.notify.mail import Mail
from hissmark.reports.made import ReportJob, last_period, made
from hissmark.reports.sources import Sources, rises
from hissmark.site.report_settings import ReportTable
from hissmark.store.letters import LetterBox
from hissmark.store.repair_records import Repair, Work
from hissmark.upkeep.following import Follower
from hissmark.web import create_app
from support.invented import DEAD, MINUTE_US, PASSING, QUIET, START_US, Invented, invented
from support.receivers import MailServer

HOUR_US = 60 * MINUTE_US
DAY_US = 24 * HOUR_US


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    """A leak that was repaired, one that stands, a silent sensor."""
    with invented(tmp_path, {"North": 5, "South yard": 5, "Letdown": 5}) as made:
        made.hear([c.source for c in made.layout.channels], START_US - 2 * DAY_US)
        for minute in range(0, 120):
            north = PASSING if minute < 30 else QUIET
            made.tick(
                {"North": north, "South yard": PASSING, "Letdown": DEAD},
                START_US - 2 * HOUR_US + minute * MINUTE_US,
            )
        made.desk.record_repair(Repair("XV-103", START_US - 90 * MINUTE_US, Work.SEAT_LAPPED, "O. Berg"))
        made.desk.follow_up()
        made.raise_alarm("XV-203", ago_min=100)
        yield made


def sources(plant: Invented) -> Sources:
    follower = Follower(plant.reader)
    return Sources("North works", "9.9.9", lambda: plant.layout, plant.desk, plant.reader, None, follower)


class Plain(HTMLParser):
    """The words of a page, and its elements."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.elements: list[str] = []
        self._style = False

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.elements.append(tag)
        self._style = tag == "style"

    def handle_data(self, data: str) -> None:
        if not self._style:
            self.words.append(data)


def as_html(plant: Invented, days: int = 7) -> Plain:
    page = Plain()
    page.feed(made(sources(plant), START_US - days * DAY_US, START_US, "html").decode())
    return page


def as_pdf(plant: Invented, paper: str = "A4") -> pypdf.PdfReader:
    content = made(sources(plant), START_US - 7 * DAY_US, START_US, "pdf", paper)  # type: ignore[arg-type]
    return pypdf.PdfReader(io.BytesIO(content))


SAID = (
    "Report, North works", "2026-02-22 02:00Z to 2026-03-01 02:00Z", "1 valve passing at the end.",
    "1 repair (1 tight again) and 1 alarm in the period.", "To be repaired, in this order",
    "XV-203, South yard", "It is the source, 14 dB over its background.",
    "It hears XV-203 along the pipe; repair that one.", "Repair 1: XV-103",
    "XV-103 is tight again", "2 other valves read over the limit before 1 proved repair",
    "no repair has a cost yet", "No repair of the period has a cost on record.",
    "Alarms in 10 minutes", "17 of 18 sensors were well at the end", "AS-303",
    "silent", "not proof of isolation", "lockout/tagout",
)  # fmt: skip


def test_html_says_what_happened(plant: Invented) -> None:
    page = as_html(plant)
    text = re.sub(r"\s+", " ", " ".join(page.words))
    for said in SAID:
        assert said in text, said
    assert page.elements.count("svg") == 5  # the leak, its rise, before and after the repair, alarms a day
    assert not {"script", "link", "img", "iframe"} & set(page.elements)


def test_pdf_says_the_same(plant: Invented) -> None:
    text = re.sub(r"\s+", " ", " ".join(page.extract_text() for page in as_pdf(plant).pages))
    for said in SAID:
        assert said in text, said
    assert "page 1" in text


def test_nothing_to_tell_is_told(plant: Invented) -> None:
    text = " ".join(
        made(sources(plant), START_US - 30 * DAY_US, START_US - 20 * DAY_US, "html").decode().split()
    )
    assert "No valve was passing at the end. 0 repairs and 0 alarms in the period." in text
    assert "No repair is on record for the period." in text


def test_names_are_data_not_markup(plant: Invented) -> None:
    hostile = replace(sources(plant), site="<script>alert(1)</script>")
    html = made(hostile, START_US - DAY_US, START_US, "html").decode()
    assert "<script>" not in html
    assert made(hostile, START_US - DAY_US, START_US, "pdf").startswith(b"%PDF-")


def test_rises_are_hourly_medians_and_broken_where_nothing_was_heard(plant: Invented) -> None:
    found = rises(Follower(plant.reader), plant.register.valves["XV-103"], START_US - 4 * HOUR_US, START_US)
    values = [value for _, value in found]
    assert values[:2] == [None, None]
    assert values[2] == pytest.approx((14.2 + QUIET.heard[2].rise_db) / 2, abs=0.1)  # type: ignore[operator]
    assert values[3] == pytest.approx(QUIET.heard[2].rise_db, abs=0.01)


def us(text: str) -> int:
    return int(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()) * 1_000_000


@pytest.mark.parametrize(
    ("now", "every", "at", "begin", "end"),
    [
        ("2026-03-01T06:00", "day", "06:00", "2026-02-28", "2026-03-01"),
        ("2026-03-01T05:59", "day", "06:00", "2026-02-27", "2026-02-28"),
        ("2026-03-01T12:00", "week", "06:00", "2026-02-16", "2026-02-23"),  # a Sunday
        ("2026-03-02T06:00", "week", "06:00", "2026-02-23", "2026-03-02"),
        ("2026-03-02T06:00", "month", "06:00", "2026-02-01", "2026-03-01"),
        ("2024-03-01T00:00", "month", "00:00", "2024-02-01", "2024-03-01"),
        ("2026-01-01T05:00", "month", "06:00", "2025-11-01", "2025-12-01"),
    ],
)  # fmt: skip
def test_the_last_whole_period(now: str, every: str, at: str, begin: str, end: str) -> None:
    """Weeks from Monday (ISO 8601), days and months of the calendar in UTC."""
    assert last_period(us(now), every, at) == (us(begin), us(end))
    if every == "week":
        assert datetime.fromisoformat(begin).isoweekday() == 1


def test_never_means_never() -> None:
    assert last_period(us("2026-03-01T12:00"), "never", "06:00") is None


def test_a_report_is_made_once_a_period_and_the_oldest_go(plant: Invented) -> None:
    box = LetterBox(plant._actions, plant._looking)
    job = ReportJob(sources(plant), ReportTable(every="day", at="00:00", keep=2), box)
    assert (job(), job()) == (1, None)
    for day in (1, 2):
        plant.clock.at_us = START_US + day * DAY_US
        assert job() == day + 1
    assert [row.id for row in box.reports()] == [3, 2]
    found = box.report(3)
    assert found is not None
    assert found[1].startswith(b"%PDF-")
    assert found[2].startswith(b"<!doctype html>")


def test_before_there_is_any_data_no_report_is_made(plant: Invented) -> None:
    box = LetterBox(plant._actions, plant._looking)
    plant.clock.at_us = START_US - 2 * DAY_US
    assert ReportJob(sources(plant), ReportTable(every="month"), box)() is None


def test_it_comes_by_mail_with_the_pdf(plant: Invented) -> None:
    from hissmark.daemon.letters import _of_report

    class Site:
        name = "North works"

    server = MailServer()
    box = LetterBox(plant._actions, plant._looking)
    ReportJob(sources(plant), ReportTable(every="day", at="00:00", receivers=("team",)), box)()
    mail = Mail(
        "127.0.0.1", server.port, "none", None, None, None, "hm@north.example", ("a@north.example",), 5.0
    )
    page = "https://leaks.north.example"
    postman = Postman(
        box, {"team": mail}, "North works", lambda letter: _of_report(Site, box, letter.ref, page),  # type: ignore[arg-type]
        plant.clock.now_us, 3600_000_000,
    )  # fmt: skip
    assert postman.deliver() == 1
    server.close()
    [sent] = server.mails
    assert sent["Subject"] == "North works: report 2026-02-28T00:00:00Z to 2026-03-01T00:00:00Z"
    [part] = sent.iter_attachments()
    assert part.get_filename() == "report-2026-02-28.pdf"
    assert part.get_content().startswith(b"%PDF-")
    body = sent.get_body()
    assert body is not None
    assert f"{page}/api/v1/reports/1?format=pdf" in body.get_content()


def test_reports_by_api(plant: Invented) -> None:
    ReportJob(
        sources(plant), ReportTable(every="day", at="00:00"), LetterBox(plant._actions, plant._looking)
    )()
    with TestClient(create_app(plant.context)) as client:
        page = client.get("/api/v1/report?from=2026-02-28T00:00:00Z")
        assert page.headers["content-type"].startswith("text/html")
        assert "script" not in page.headers["content-security-policy"]
        assert "Report, North works" in page.text
        paper = client.get("/api/v1/report?format=pdf&paper=Letter")
        assert paper.content.startswith(b"%PDF-")
        [kept] = client.get("/api/v1/reports").json()["reports"]
        assert (kept["since"], kept["until"]) == ("2026-02-28T00:00:00Z", "2026-03-01T00:00:00Z")
        assert client.get(f"/api/v1/reports/{kept['id']}?format=pdf").content.startswith(b"%PDF-")
        assert client.get("/api/v1/reports/99").status_code == 404
        assert client.get("/api/v1/report?from=2020-01-01T00:00:00Z").status_code == 422
