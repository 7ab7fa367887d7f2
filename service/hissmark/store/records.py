"""Rows as plain values: what goes into the store and what comes out of it."""

from __future__ import annotations

from dataclasses import dataclass

from hissmark.alarms.journal import ActionRequest, JournalEntry
from hissmark.engine.change import Change

CLOCK_OFFSET = "clock.offset_us"
"""Key in `meta`: microseconds by which the service's clock was ahead of the machine's when it last saved."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How many rows the bounded tables keep; the oldest go first."""

    rejects: int = 10_000
    unknown_names: int = 10_000
    verdict_changes: int = 1_000_000
    feed: bool = True
    """Whether what arrives is kept once more for those who follow it."""


@dataclass(frozen=True, slots=True)
class JournalRow:
    """A journal entry on record. `recorded_us` is the service's clock when it was written."""

    seq: int
    recorded_us: int
    entry: JournalEntry


@dataclass(frozen=True, slots=True)
class VerdictChange:
    """A valve's verdict from `at_us` on, until its next change. Levels in dB, None where not known.

    Attributes:
        verdict, reason: the texts of `judge.verdicts`.
        source: tag of the valve (or name of the channel) whose sound explains it; None if none does.
    """

    valve: str
    at_us: int
    verdict: str
    reason: str
    source: str | None = None
    rise_db: float | None = None
    margin_db: float | None = None
    level_db: float | None = None
    baseline_db: float | None = None


@dataclass(frozen=True, slots=True)
class VerdictRow:
    """A verdict change on record; `seq` orders and pages them."""

    seq: int
    change: VerdictChange


@dataclass(frozen=True, slots=True)
class Reading:
    """The latest reading of a group as JSON text."""

    group: str
    at_us: int
    payload: str


@dataclass(frozen=True, slots=True)
class StoredBlock:
    """An encoded block of ticks (see `blocks.encode`). `start_us` is the start of its hour."""

    group: str
    start_us: int
    ticks: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class EngineState:
    """The engine's state as last saved. `version` is the engine's own number of its format."""

    saved_us: int
    version: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class ActionRow:
    """An action on record. `outcome` is None until the service has dealt with it."""

    id: int
    requested_us: int
    request: ActionRequest
    applied_after_us: int | None
    outcome: str | None


@dataclass(frozen=True, slots=True)
class ChangeRow:
    """A change on record. `outcome` is None until the service has dealt with it.

    Attributes:
        change: with its number, and with the time from which it counts once it is applied.
        applied_after_us: event time; it counts from the first tick after it. None if it was refused, or was
            done before changes were kept like this.
    """

    id: int
    requested_us: int
    change: Change
    applied_after_us: int | None
    outcome: str | None


@dataclass(frozen=True, slots=True)
class RejectRow:
    """A rejected record on record."""

    seq: int
    received_us: int
    topic: str
    reason: str
    detail: str
    head: bytes


@dataclass(frozen=True, slots=True)
class SeriesRow:
    """A name that samples are stored under."""

    id: int
    name: str
    kind: str
    first_seen_us: int


@dataclass(frozen=True, slots=True)
class SettingsVersion:
    """Settings and register as they were from `recorded_us` on, JSON text."""

    id: int
    recorded_us: int
    digest: str
    payload: str


@dataclass(frozen=True, slots=True)
class Extent:
    """First and last time of the stored samples, microseconds since 1970 UTC."""

    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class StoreSize:
    """Bytes on disk. `wal_bytes` is SQLite's write-ahead log, 0 on PostgreSQL."""

    database_bytes: int
    wal_bytes: int
