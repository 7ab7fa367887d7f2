"""Metrics of the alarm system itself: its load after ISA-18.2 / EEMUA 191, and how telling others goes."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence

import structlog
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from hissmark.figures.annunciations import Before
from hissmark.figures.load import DAY_US, HOUR_US, TEN_MIN_US
from hissmark.figures.summary import Figures, figures_of
from hissmark.notify.notifier import Told
from hissmark.store.errors import StoreError
from hissmark.store.journal import JournalFilter
from hissmark.store.reader import Reader
from hissmark.store.records import JournalRow

log = structlog.get_logger("hissmark.daemon")

KEPT_S = 30.0
"""How long figures are kept between scrapes: they are read from the store."""
MOST_ROWS = 20_000


class AlarmCollector(Collector):
    """Gauges of the last day's alarms and of the receivers, read while a scrape runs."""

    def __init__(
        self, reader: Reader, now_us: Callable[[], int], chatter_us: int, told: Callable[[], Sequence[Told]]
    ) -> None:
        self._reader, self._now_us, self._chatter_us, self._told = reader, now_us, chatter_us, told
        self._lock = threading.Lock()
        self._kept: tuple[float, Figures, dict[str, int]] | None = None

    def describe(self) -> Iterable[Metric]:
        return []

    def collect(self) -> Iterator[Metric]:
        try:
            figures, rates = self._figures()
            told = self._told()
        except StoreError as error:
            log.warning("figures of the alarm system cannot be read", reason=str(error))
            return
        yield from _load(figures, rates)
        yield from _receivers(told, self._now_us())

    def _figures(self) -> tuple[Figures, dict[str, int]]:
        with self._lock:
            if self._kept is not None and time.monotonic() - self._kept[0] < KEPT_S:
                return self._kept[1], self._kept[2]
            to_us = self._now_us()
            from_us = to_us - DAY_US
            before = [Before(last, shown) for last, shown in self._reader.journal_before(from_us)]
            rows = self._rows(from_us, to_us)
            figures = figures_of(before, rows, from_us, to_us, self._chatter_us)
            shown = [r.entry.at_us for r in rows if r.entry.state == "unacknowledged"]
            spans = {"10m": TEN_MIN_US, "1h": HOUR_US, "1d": DAY_US}
            rates = {name: sum(at >= to_us - us for at in shown) for name, us in spans.items()}
            self._kept = (time.monotonic(), figures, rates)
            return figures, rates

    def _rows(self, from_us: int, to_us: int) -> list[JournalRow]:
        """The newest entries of the last day, at most so many."""
        wanted = JournalFilter(from_us=from_us, to_us=to_us)
        return self._reader.journal(wanted, before_seq=2**62, limit=MOST_ROWS)[::-1]


def _load(figures: Figures, rates: dict[str, int]) -> Iterator[Metric]:
    recent = GaugeMetricFamily(
        "hissmark_alarms_recent", "Alarms annunciated within the window", labels=["window"]
    )
    for name, n in rates.items():
        recent.add_metric([name], n)
    yield recent
    yield GaugeMetricFamily(
        "hissmark_alarms_stale", "Alarms standing longer than a day", value=len(figures.stale)
    )
    yield GaugeMetricFamily(
        "hissmark_alarms_chattering", "Alarms that chattered within a day", value=len(figures.chattering)
    )
    yield GaugeMetricFamily(
        "hissmark_alarm_flood_ratio", "Share of the last day spent in floods", value=figures.flood_share
    )


def _receivers(told: Sequence[Told], now_us: int) -> Iterator[Metric]:
    waiting = GaugeMetricFamily("hissmark_notifications_waiting", "Messages that wait", labels=["receiver"])
    age = GaugeMetricFamily(
        "hissmark_notifications_waiting_age_seconds", "Since the oldest of them was due", labels=["receiver"]
    )
    failing = GaugeMetricFamily(
        "hissmark_receiver_failing", "1 while a receiver cannot be told", labels=["receiver"]
    )
    sent = CounterMetricFamily("hissmark_notifications", "Messages settled", labels=["receiver", "outcome"])
    tries = CounterMetricFamily("hissmark_notification_failures", "Attempts in vain", labels=["receiver"])
    for one in told:
        waiting.add_metric([one.name], one.waiting)
        age.add_metric([one.name], max(0.0, (now_us - one.due_us) / 1e6) if one.due_us else 0.0)
        failing.add_metric([one.name], float(bool(one.condition.trouble)))
        sent.add_metric([one.name, "sent"], one.condition.sent)
        sent.add_metric([one.name, "refused"], one.condition.refused)
        tries.add_metric([one.name], one.condition.failures)
    yield from (waiting, age, failing, sent, tries)
