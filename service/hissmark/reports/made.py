"""Reports made: of any period at once, and of the last whole day, week or month on a schedule."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Literal

import structlog

from hissmark.paper.sheet import Paper
from hissmark.publish.times import rfc3339
from hissmark.reports.as_html import as_html
from hissmark.reports.as_pdf import as_pdf
from hissmark.reports.content import report_of
from hissmark.reports.sources import Sources
from hissmark.site.report_settings import ReportTable
from hissmark.store.letters import LetterBox

log = structlog.get_logger("hissmark.reports")

Form = Literal["html", "pdf"]


def made(sources: Sources, from_us: int, to_us: int, form: Form, paper: Paper = "A4") -> bytes:
    """The report of [from, to) in one form."""
    parts = report_of(sources, from_us, to_us)
    title = f"Report, {sources.site}, {rfc3339(from_us)[:10]} to {rfc3339(to_us)[:10]}"
    if form == "html":
        return as_html(parts, title=title)
    foot = f"hissmark {sources.version}, {sources.site}, made {rfc3339(sources.desk.now_us())[:19]}Z"
    return as_pdf(parts, title=title, foot=foot, paper=paper)


def last_period(now_us: int, every: str, at: str) -> tuple[int, int] | None:
    """The newest whole day, week (from Monday) or month in UTC whose report is due; None for ``never``."""
    if every == "never":
        return None
    hour, minute = (int(part) for part in at.split(":"))
    due = datetime.fromtimestamp(now_us / 1e6, UTC) - timedelta(hours=hour, minutes=minute)
    end = due.replace(hour=0, minute=0, second=0, microsecond=0)
    if every == "day":
        begin = end - timedelta(days=1)
    elif every == "week":
        end -= timedelta(days=end.weekday())
        begin = end - timedelta(days=7)
    else:
        end = end.replace(day=1)
        begin = (end - timedelta(days=1)).replace(day=1)
    return int(begin.timestamp()) * 1_000_000, int(end.timestamp()) * 1_000_000


class ReportJob:
    """Called every few minutes; makes the report that is due, also if the service was off at the time."""

    def __init__(self, sources: Sources, table: ReportTable, box: LetterBox) -> None:
        self._sources, self._table, self._box = sources, table, box

    def __call__(self) -> int | None:
        """Returns the number of the report that was made, None if none was due."""
        now_us = self._sources.desk.now_us()
        span_us = last_period(now_us, self._table.every, self._table.at)
        extent = self._sources.reader.sample_extent()
        if span_us is None or extent is None or extent.first_us >= span_us[1]:
            return None
        if any(row.to_us >= span_us[1] for row in self._box.reports()):
            return None
        parts = [made(self._sources, *span_us, form, self._table.paper) for form in ("pdf", "html")]
        number = self._box.add_report(
            span_us, parts[0], parts[1], self._table.receivers, now_us, self._table.keep
        )
        log.info("report made", report=number, begin=rfc3339(span_us[0]), end=rfc3339(span_us[1]))
        return number
