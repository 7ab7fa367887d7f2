"""The journal of a span of time for figures and handover: bounded, and what stood before it."""

from __future__ import annotations

from hissmark.figures.annunciations import Before
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow
from hissmark.web.parameters import Span, invalid

MOST_ROWS = 200_000
"""Journal entries that one answer looks at; beyond it the span has to be shorter."""
PAGE_ROWS = 5000


def span_of(span: Span, now_us: int, default_us: int) -> tuple[int, int]:
    """From and to, with the last `default_us` where nothing is asked. A 422 if it is empty."""
    to_us = span.to_us if span.to_us is not None else now_us
    from_us = span.from_us if span.from_us is not None else to_us - default_us
    if from_us >= to_us:
        raise invalid("from", "must be earlier than 'to' (by default now)")
    return from_us, to_us


def before(reader: Reader, from_us: int, group: str | None = None) -> list[Before]:
    """What is on record of each alarm before the span."""
    return [Before(last, shown) for last, shown in reader.journal_before(from_us, group=group)]


def entries(reader: Reader, from_us: int, to_us: int, group: str | None = None) -> list[JournalRow]:
    """Every entry of the span in order of `seq`. A 422 if there are too many for one answer."""
    wanted = JournalFilter(group=group, from_us=from_us, to_us=to_us, annunciated=True)
    rows: list[JournalRow] = []
    while page := reader.journal(wanted, after_seq=rows[-1].seq if rows else 0, limit=PAGE_ROWS):
        rows += page
        if len(rows) > MOST_ROWS:
            raise invalid(
                "from", f"the span holds more than {MOST_ROWS} journal entries; ask for a shorter one"
            )
        if len(page) < PAGE_ROWS:
            break
    return rows
