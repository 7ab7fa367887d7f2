"""A valve's history for a chart: thinned so that highs and lows stay, verdicts as runs, alarms as marks."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from typing_extensions import TypedDict

from hissmark.judge.verdicts import Reason, Verdict
from hissmark.publish.alarm_shapes import journal_shape
from hissmark.publish.shapes import JournalShape
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.blocks import UNKNOWN_CODE
from hissmark.store.coarsen import DAY_S, HOUR_S
from hissmark.store.history import ChannelHistory
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.whereabouts import Stay
from hissmark.upkeep.following import coarse_history, history_parts
from hissmark.web.paging import NEWEST
from hissmark.web.parameters import Span

DAY_US = 24 * 3600 * 1_000_000
TICKS_UP_TO_US = 8 * DAY_US
HOURS_UP_TO_US = 400 * DAY_US
MOST_RUNS = 2000
MOST_MARKS = 500
COLUMNS = ("level_db", "l50_db", "l10_db", "baseline_db", "rise_db", "expected_db", "difference_bar")


class Run(TypedDict):
    """A stretch of time in which one thing held. Times are epoch seconds; `end` is its last tick."""

    start: float
    end: float
    value: str
    reason: str


class History(TypedDict):
    """`at` holds epoch seconds; the columns run beside it, null where nothing is known or ticks are missing.

    `tick_s` is the time from row to row behind the points: of ticks, or an hour or a day where a long span
    is told by these (lowest and highest of each, the verdict that asked for most). `ticks` is the number of
    these rows. `verdicts` and `open` are complete unless `coarse`.
    """

    valve: str
    channel: str
    since: str
    until: str
    first: str | None
    tick_s: int
    ticks: int
    at: list[float]
    columns: dict[str, list[float | None]]
    verdicts: list[Run]
    open: list[Run]
    coarse: bool
    marks: list[JournalShape]
    damaged: list[str]


Recent = Callable[[int, int], ChannelHistory]
"""Ticks of the channel in [from, to) that are not in the store yet."""


def history_of(
    reader: Reader,
    places: Sequence[Stay],
    span: Span,
    points: int,
    *,
    tick_s: int,
    now_us: int,
    recent: Recent | None = None,
) -> History:
    """The history of a valve in `span` (default: the last 24 hours) in about `points` rows.

    `places`: its sensors over time, oldest first; at least one.
    """
    channel = places[-1].channel
    to_us = span.to_us if span.to_us is not None else now_us
    from_us = span.from_us if span.from_us is not None else to_us - DAY_US
    step_s = _step_s(to_us - from_us, tick_s)
    read = _Collector(from_us, to_us, max(1, points // 2), step_s)
    last_us = from_us - 1
    if step_s > tick_s:
        for part in coarse_history(reader, places, from_us, to_us, step_s):
            read.add(part)
    else:
        for part in history_parts(reader, places, from_us, to_us):
            read.add(part)
            if len(part):
                last_us = int(part.time_us[-1])
        if recent is not None:
            read.add(recent(last_us + 1, to_us))
    wanted = JournalFilter(valve=channel.subject, from_us=from_us, to_us=to_us)
    marks = reader.journal(wanted, before_seq=NEWEST, limit=MOST_MARKS)
    extent = reader.sample_extent()
    return {
        "valve": channel.subject,
        "channel": channel.name,
        "since": rfc3339(from_us),
        "until": rfc3339(to_us),
        "first": rfc3339_or_none(extent.first_us if extent else None),
        "tick_s": step_s,
        **read.result(),  # type: ignore[typeddict-item]
        "marks": [journal_shape(row) for row in reversed(marks)],
    }


def _step_s(span_us: int, tick_s: int) -> int:
    """By what a span is told: ticks, hours or days."""
    if span_us <= TICKS_UP_TO_US:
        return tick_s
    return max(tick_s, HOUR_S if span_us <= HOURS_UP_TO_US else DAY_S)


def thin(
    time_us: npt.NDArray[np.int64],
    values: npt.NDArray[np.float32],
    from_us: int,
    to_us: int,
    buckets: int,
) -> npt.NDArray[np.intp]:
    """Indices of the rows to keep: of every bucket of time the lowest and highest value, by time.

    A bucket without a value keeps one row, so that a gap stays a gap.
    """
    if len(time_us) <= 2 * buckets:
        return np.arange(len(time_us))
    width = max(1, -(-(to_us - from_us) // buckets))
    bucket = (time_us - from_us) // width
    low = np.lexsort((np.where(np.isnan(values), np.inf, values), bucket))
    high = np.lexsort((np.where(np.isnan(values), -np.inf, values), bucket))
    first = np.flatnonzero(np.diff(bucket, prepend=bucket[0] - 1))
    last = np.append(first[1:], len(bucket)) - 1
    return np.unique(np.concatenate((low[first], high[last])))


def runs(
    time_us: npt.NDArray[np.int64], code: npt.NDArray[np.integer[Any]], tick_us: int
) -> list[tuple[int, int, int]]:
    """Stretches of one code: (first time, last time, code). A gap of more than three ticks ends one."""
    if not len(time_us):
        return []
    changed = (np.diff(code.astype(np.int64)) != 0) | (np.diff(time_us) > 3 * tick_us)
    first = np.concatenate(([0], np.flatnonzero(changed) + 1))
    last = np.append(first[1:], len(code)) - 1
    return list(zip(time_us[first].tolist(), time_us[last].tolist(), code[first].tolist(), strict=True))


def joined(found: list[tuple[int, int, int]], tick_us: int) -> list[tuple[int, int, int]]:
    """Runs that go on across two parts of a history are one."""
    whole: list[tuple[int, int, int]] = []
    for first, last, code in found:
        if whole and whole[-1][2] == code and first - whole[-1][1] <= 3 * tick_us:
            first = whole.pop()[0]
        whole.append((first, last, code))
    return whole


class _Collector:
    """Takes a long history part by part and keeps only what the answer needs."""

    def __init__(self, from_us: int, to_us: int, buckets: int, tick_s: int) -> None:
        self._from_us, self._to_us, self._buckets = from_us, to_us, buckets
        self._tick_us = tick_s * 1_000_000
        self._ticks = 0
        self._times: list[npt.NDArray[np.int64]] = [np.empty(0, np.int64)]
        self._columns: dict[str, list[npt.NDArray[np.float32]]] = {
            name: [np.empty(0, np.float32)] for name in COLUMNS
        }
        self._verdicts: list[tuple[int, int, int]] = []
        self._open: list[tuple[int, int, int]] = []
        self._damaged: list[str] = []

    def add(self, part: ChannelHistory) -> None:
        self._ticks += len(part)
        self._damaged += part.damaged
        keep = thin(part.time_us, part.level_db, self._from_us, self._to_us, self._buckets)
        self._times.append(part.time_us[keep])
        for name in COLUMNS:
            self._columns[name].append(getattr(part, name)[keep])
        verdict = part.verdict.astype(np.int64) * 256 + part.reason
        self._verdicts += runs(part.time_us, verdict, self._tick_us)
        self._open += runs(part.time_us, part.open_, self._tick_us)

    def result(self) -> dict[str, Any]:
        time_us = np.concatenate(self._times)
        columns = {name: np.concatenate(parts) for name, parts in self._columns.items()}
        at, filled = self._with_gaps(time_us, columns)
        verdicts, coarse = _bounded(joined(self._verdicts, self._tick_us))
        opened, _ = _bounded(joined(self._open, self._tick_us))
        return {
            "ticks": self._ticks,
            "at": at,
            "columns": filled,
            "verdicts": [_verdict_run(*run) for run in verdicts],
            "open": [_open_run(*run) for run in opened],
            "coarse": coarse,
            "damaged": self._damaged,
        }

    def _with_gaps(
        self, time_us: npt.NDArray[np.int64], columns: dict[str, npt.NDArray[np.float32]]
    ) -> tuple[list[float], dict[str, list[float | None]]]:
        """Lists for JSON, with an empty row in every gap so that no line bridges it."""
        width_us = (self._to_us - self._from_us) // self._buckets
        gap_us = 3 * max(self._tick_us, width_us)
        breaks = np.flatnonzero(np.diff(time_us) > gap_us) + 1
        at = np.insert(time_us, breaks, time_us[breaks - 1] + self._tick_us) / 1e6
        return at.tolist(), {name: _plain(np.insert(c, breaks, np.nan)) for name, c in columns.items()}


def _plain(column: npt.NDArray[np.float32]) -> list[float | None]:
    rounded = np.round(column.astype(np.float64), 2)
    return [None if gone else value for value, gone in zip(rounded.tolist(), np.isnan(rounded), strict=True)]


def _bounded(found: list[tuple[int, int, int]]) -> tuple[list[tuple[int, int, int]], bool]:
    """At most `MOST_RUNS` runs: of too many the longest stay, and the answer says so."""
    if len(found) <= MOST_RUNS:
        return found, False
    longest = sorted(found, key=lambda run: run[0] - run[1])[:MOST_RUNS]
    return sorted(longest), True


def _verdict_run(first_us: int, last_us: int, code: int) -> Run:
    verdict, reason = divmod(code, 256)
    known = verdict != UNKNOWN_CODE
    return {
        "start": first_us / 1e6,
        "end": last_us / 1e6,
        "value": Verdict(verdict).text if known else "unknown",
        "reason": Reason(reason).text if known and reason != UNKNOWN_CODE else "",
    }


def _open_run(first_us: int, last_us: int, code: int) -> Run:
    text = {0: "closed", 1: "open"}.get(code, "position not known")
    return {"start": first_us / 1e6, "end": last_us / 1e6, "value": text, "reason": ""}
