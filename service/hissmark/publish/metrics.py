"""Metrics for Prometheus: counters that the worker keeps, and gauges read from the live state at each scrape.

Series per valve and channel come from a collector, so that they cost nothing between scrapes. Every metric is
explained in docs/metrics.md.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, ProcessCollector, generate_latest
from prometheus_client.core import GaugeMetricFamily, Metric
from prometheus_client.registry import Collector

from hissmark import __version__
from hissmark.alarms.journal import AlarmState, Priority
from hissmark.decode.columns import RejectReason
from hissmark.ingest.health import Health as ReceiverHealth
from hissmark.publish.live import LiveState
from hissmark.publish.shapes import ChannelReading
from hissmark.publish.times import parse_rfc3339

_LAG_BUCKETS_S = (0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 30, 60, 300, 900)
_TICK_BUCKETS_S = (0.001, 0.0025, 0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5)
_HTTP_BUCKETS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5)


class Metrics:
    """All metrics of one service. The worker calls the counters; `exposition` is what a scrape gets."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        on = self.registry
        ProcessCollector(registry=on)
        self.messages = Counter("hissmark_messages", "MQTT messages received", registry=on)
        self.samples = Counter("hissmark_samples", "Samples stored", registry=on)
        self.duplicates = Counter(
            "hissmark_samples_duplicate", "Samples that were stored already", registry=on
        )
        self.not_judged = Counter(
            "hissmark_samples_not_judged",
            "Samples stored but kept out of the judgement",
            ["why"],
            registry=on,
        )
        self.rejects = Counter("hissmark_rejects", "Records turned away", ["reason"], registry=on)
        self.sign_ins = Counter("hissmark_sign_ins", "Tries to sign in", ["outcome"], registry=on)
        self.reconnects = Counter("hissmark_reconnects", "Connections made again to the broker", registry=on)
        self.session_losses = Counter(
            "hissmark_session_losses", "Reconnects at which the broker had forgotten the session", registry=on
        )
        self.receiver_restarts = Counter(
            "hissmark_receiver_restarts", "Times the receiving thread was started again", registry=on
        )
        self.pauses = Counter(
            "hissmark_receive_pauses", "Times reading stopped because the queue was full", registry=on
        )
        self.acks_dropped = Counter(
            "hissmark_acks_dropped", "Acknowledgements that came after their connection", registry=on
        )
        self.clock_steps = Counter(
            "hissmark_clock_steps", "Times the machine's clock was set while the service ran", registry=on
        )
        self.edge_nodes = Gauge("hissmark_sparkplug_nodes", "Sparkplug edge nodes", ["state"], registry=on)
        self.rebirths = Counter(
            "hissmark_sparkplug_rebirths", "Births asked of Sparkplug edge nodes", registry=on
        )
        self.publishing = Gauge(
            "hissmark_publishing", "Connections that verdicts go out on: 1 while they stand", ["way"],
            registry=on,
        )  # fmt: skip
        self.backup_at = Gauge(
            "hissmark_last_backup_timestamp_seconds", "When the last backup was made", registry=on
        )
        self.backup_failures = Counter("hissmark_backup_failures", "Backups that failed", registry=on)
        self.disk_free = Gauge(
            "hissmark_disk_free_bytes", "Room on the disk that holds it", ["holds"], registry=on
        )
        self.wal_bytes = Gauge("hissmark_wal_bytes", "Size of the write-ahead log of SQLite", registry=on)
        self.certificate_ends = Gauge(
            "hissmark_certificate_ends_timestamp_seconds", "When a certificate ends", ["whose"], registry=on
        )
        self.damaged = Gauge(
            "hissmark_damaged", "What the last check of the store found damaged", registry=on
        )
        self.checked_at = Gauge(
            "hissmark_integrity_checked_timestamp_seconds", "When the store was last checked", registry=on
        )
        self.ticks = Counter("hissmark_ticks", "Ticks judged, one per group", registry=on)
        self.ingest_lag_s = Histogram(
            "hissmark_ingest_lag_seconds", "From receipt to commit", buckets=_LAG_BUCKETS_S, registry=on
        )
        self.tick_s = Histogram(
            "hissmark_tick_duration_seconds", "To judge a tick", buckets=_TICK_BUCKETS_S, registry=on
        )
        self.http_s = Histogram(
            "hissmark_http_request_duration_seconds", "To answer a request", ["route", "status"],
            buckets=_HTTP_BUCKETS_S, registry=on,
        )  # fmt: skip
        self.job_failures = Counter(
            "hissmark_housekeeping_failures",
            "Housekeeping jobs that failed or were missed",
            ["job"],
            registry=on,
        )
        for job in ("long history", "back-fill"):
            self.job_failures.labels(job)
        for reason in RejectReason:
            self.rejects.labels(reason.value)  # so that a rate exists before the first one
        for why in ("late", "ahead", "retained"):
            self.not_judged.labels(why)

    def watch(self, live: LiveState) -> None:
        """Add what is read from the live state at each scrape."""
        self.registry.register(LiveCollector(live))

    def receiver(self, before: ReceiverHealth, now: ReceiverHealth) -> None:
        """Count what has happened between two looks at the receiver."""
        self.reconnects.inc(now.reconnects - before.reconnects)
        self.session_losses.inc(now.session_losses - before.session_losses)
        self.receiver_restarts.inc(now.restarts - before.restarts)
        self.pauses.inc(now.pauses - before.pauses)
        self.acks_dropped.inc(now.acks_dropped - before.acks_dropped)

    def exposition(self) -> bytes:
        return generate_latest(self.registry)


class LiveCollector(Collector):
    """Turns the live state into gauges while a scrape runs."""

    def __init__(self, live: LiveState) -> None:
        self._live = live

    def describe(self) -> Iterable[Metric]:
        return []  # names may not be collected while registering: nothing is known yet

    def collect(self) -> Iterator[Metric]:
        yield from self._service()
        yield from self._alarms()
        yield from self._channels()
        yield from self._groups()

    def _service(self) -> Iterator[Metric]:
        health, now_us = self._live.health, self._live.clock.now_us()
        build = GaugeMetricFamily("hissmark_build_info", "Version of the program", labels=["version"])
        build.add_metric([__version__], 1)
        yield build
        yield _gauge("hissmark_connected", "Whether the broker connection stands", float(health.connected))
        yield _gauge(
            "hissmark_subscribed", "Whether the broker has answered for the filters", float(health.subscribed)
        )
        yield _gauge("hissmark_filters_refused", "Filters not granted as asked", health.filters_refused)
        yield _gauge("hissmark_worker_alive", "Whether the judging thread runs", float(health.worker_alive))
        yield _gauge("hissmark_store_trouble", "Whether nothing can be stored", float(bool(health.trouble)))
        doing, for_s = self._live.pulse.read()
        busy = GaugeMetricFamily(
            "hissmark_worker_busy_seconds", "What the judging thread does, since when", labels=["doing"]
        )
        busy.add_metric([doing], for_s)
        yield busy
        overdue = GaugeMetricFamily(
            "hissmark_housekeeping_overdue_seconds", "How long a job is overdue", labels=["job"]
        )
        for job, by_s in self._live.chores.overdue().items():
            overdue.add_metric([job], by_s)
        yield overdue
        yield _gauge("hissmark_queue_messages", "Messages between broker and store", health.queue_messages)
        yield _gauge("hissmark_queue_bytes", "Bytes between broker and store", health.queue_bytes)
        behind_s = self._live.pacer.read().behind_s
        yield _gauge("hissmark_ingest_behind_seconds", "Age of what is being stored", behind_s)
        yield _gauge("hissmark_receive_paused", "Whether nothing is read: queue full", float(health.paused))
        if health.last_commit_us:
            age_s = (now_us - health.last_commit_us) / 1e6
            yield _gauge("hissmark_last_commit_age_seconds", "Since the newest commit", age_s)
        if health.last_message_us:
            age_s = (now_us - health.last_message_us) / 1e6
            yield _gauge("hissmark_last_message_age_seconds", "Since the newest message", age_s)
        if health.database_bytes is not None:
            yield _gauge("hissmark_database_bytes", "Size of the database", health.database_bytes)
        yield _gauge("hissmark_pages_open", "Pages that listen to events", self._live.broadcast.clients)

    def _alarms(self) -> Iterator[Metric]:
        count = dict.fromkeys(((p.value, s.value) for p in Priority for s in _STANDING), 0)
        for alarm in self._live.active():
            key = (alarm.priority.value, alarm.state.value)
            count[key] = count.get(key, 0) + 1
        family = GaugeMetricFamily("hissmark_alarms", "Alarms not at rest", labels=["priority", "state"])
        for (priority, state), n in count.items():
            family.add_metric([priority, state], n)
        yield family
        active = GaugeMetricFamily("hissmark_alarms_active", "Active alarms", labels=["priority"])
        for p in Priority:
            rows = (a for a in self._live.active() if a.active and a.priority is p)
            active.add_metric([p.value], sum(1 for _ in rows))
        yield active

    def _groups(self) -> Iterator[Metric]:
        now_us = self._live.clock.now_us()
        age = GaugeMetricFamily(
            "hissmark_group_data_age_seconds", "Since the newest sample", labels=["group"]
        )
        tick = GaugeMetricFamily("hissmark_group_tick_age_seconds", "Since the newest tick", labels=["group"])
        for group in self._live.layout.group_names:
            newest_us, _ = self._live.freshness(group, now_us)
            if newest_us:
                age.add_metric([group], (now_us - newest_us) / 1e6)
            reading = self._live.reading(group)
            if reading:
                tick.add_metric([group], (now_us - parse_rfc3339(reading["at"])) / 1e6)
        yield age
        yield tick

    def _channels(self) -> Iterator[Metric]:
        rows = [(r["group"], c) for r in self._live.readings() for c in r["channels"]]
        for name, text, read in _LEVELS:
            yield _per_channel(name, text, rows, read)
        verdict = GaugeMetricFamily(
            "hissmark_verdict", "1 for the present verdict", labels=["group", "channel", "valve", "verdict"]
        )
        health = GaugeMetricFamily(
            "hissmark_channel_health", "1 for the present health", labels=["group", "channel", "health"]
        )
        for group, c in rows:
            if c["valve"] is not None:
                verdict.add_metric([group, c["channel"], c["valve"], c["verdict"]], 1)
            health.add_metric([group, c["channel"], c["health"]], 1)
        yield verdict
        yield health
        yield self._heard()

    def _heard(self) -> Metric:
        family = GaugeMetricFamily(
            "hissmark_channel_last_heard_timestamp_seconds", "Newest sample", labels=["group", "channel"]
        )
        heard = self._live.last_heard()
        for channel in self._live.layout.channels:
            us = heard.get(channel.name)
            if us:
                family.add_metric([channel.group, channel.name], us / 1e6)
        return family


_STANDING = tuple(s for s in AlarmState if s is not AlarmState.NORMAL)

_Read = Callable[[ChannelReading], float | None]
_LEVELS: tuple[tuple[str, str, _Read], ...] = (
    ("hissmark_level_db", "Steady level (L90)", lambda c: c["level_db"]),
    ("hissmark_baseline_db", "Learned background", lambda c: c["baseline_db"]),
    ("hissmark_rise_db", "Level over background", lambda c: c["rise_db"]),
)


def _gauge(name: str, text: str, value: float) -> Metric:
    return GaugeMetricFamily(name, text, value=value)


def _per_channel(name: str, text: str, rows: list[tuple[str, ChannelReading]], read: _Read) -> Metric:
    family = GaugeMetricFamily(name, text, labels=["group", "channel", "valve"])
    for group, c in rows:
        value = read(c)
        if value is not None:
            family.add_metric([group, c["channel"], c["valve"] or ""], value)
    return family
