"""The JSON shapes that pages, API, CLI and the stored latest readings share."""

from __future__ import annotations

from typing_extensions import TypedDict

Part = str | dict[str, str]
"""A piece of a sentence: a text, ``{"since": TIME}`` (shown as an age) or ``{"at": TIME}`` (time of day)."""


class ExplanationReading(TypedDict):
    """What best explains the rises of a group. `source`, `second` are tags (or channel names)."""

    kind: str
    source: str | None
    second: str | None
    margin_db: float | None
    odds: float | None
    sentence: str


class NextExplanation(TypedDict):
    """The explanation that comes second."""

    kind: str
    source: str | None


class TrendReading(TypedDict):
    """How a leak grows: dB a day with its 95 % interval, over how many hours, and the next severity.

    `days` is the time until then at this slope, `earliest_days` at the steepest within the interval; all
    three are null where the leak does not grow for sure, or is severe already.
    """

    db_per_day: float
    low: float
    high: float
    span_h: float
    next_severity: str | None
    days: float | None
    earliest_days: float | None


class ChannelReading(TypedDict):
    """One channel at one tick. Levels in dB, distances in m from the start of the group, times RFC 3339."""

    channel: str
    kind: str
    valve: str | None
    position: int
    distance_m: float | None
    level_db: float | None
    l50_db: float | None
    l10_db: float | None
    baseline_db: float | None
    scale_db: float | None
    rise_db: float | None
    leak_db: float | None
    expected_db: float | None
    verdict: str
    reason: str
    reason_sentence: str
    baseline_state: str
    health: str
    open: bool | None
    difference_bar: float | None
    steady: bool
    last_heard: str | None
    interval_s: float | None
    basis: str
    trend: TrendReading | None


class GroupReading(TypedDict):
    """The reading of a group at one tick, as it is stored."""

    group: str
    at: str
    explanation: ExplanationReading
    next_explanation: NextExplanation
    channels: list[ChannelReading]


class LiveReading(GroupReading):
    """The same as it is served: `fresh` tells whether the group was heard within its stale limit,
    `last_heard` is the newest sample of the group, `now` the service's clock at the moment of the answer."""

    fresh: bool
    last_heard: str | None
    now: str


class AlarmShape(TypedDict):
    """One alarm that is not at rest. `sentence` is plain text in UTC; `parts` let a page run the ages."""

    valve: str
    group: str
    alarm: str
    state: str
    active: bool
    priority: str
    raised_at: str
    changed_at: str
    rise_db: float | None
    margin_db: float | None
    reason: str
    operator: str
    comment: str
    shelved_until: str | None
    sentence: str
    parts: list[Part]
    advice: str


class JournalShape(TypedDict):
    """One line of the alarm journal (contract)."""

    seq: int
    at: str
    recorded_at: str
    valve: str
    group: str
    alarm: str
    event: str
    state: str
    priority: str
    rise_db: float | None
    margin_db: float | None
    reason: str
    operator: str
    comment: str
    origin: str
    sentence: str
