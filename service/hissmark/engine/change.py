"""Recorded changes: everything besides samples and alarm actions that changes an answer.

A change is put on record first and counts, for each group that it concerns, from the group's first tick after
`effective_us`. So replaying samples and changes gives the same answers, however both are cut.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any


class ChangeKind(StrEnum):
    """What a change is about."""

    SETTINGS = "settings"
    BASELINE = "baseline"
    LOSSES_RESET = "losses-reset"
    REPAIR = "repair"
    CLOCK = "clock"


class ChangeRefusedError(ValueError):
    """The change means nothing or is not allowed; the message says why, to the person."""


@dataclass(frozen=True, slots=True)
class Change:
    """One change, as asked for (`id` and `effective_us` 0) and as it is on record.

    Attributes:
        subject: a valve's tag (or a channel's name), a group, or empty for the whole site.
        payload: what is to change, see `settings_change`, `baseline_change`; plain values as JSON has them.
        effective_us: event time; it counts from the first tick after it.
    """

    kind: ChangeKind
    subject: str
    operator: str
    reason: str = ""
    payload: Mapping[str, Any] = field(default_factory=dict)
    id: int = 0
    effective_us: int = 0


class Level(StrEnum):
    """How far a setting reaches; the narrower one wins."""

    SITE = "site"
    GROUP = "group"
    VALVE = "valve"


class BaselineStep(StrEnum):
    """What can be done to a baseline by hand."""

    APPROVE = "approve"
    HOLD = "hold"
    RELEASE = "release"
    RELEARN = "relearn"
    SET = "set"


def settings_change(
    level: Level, subject: str, values: Mapping[str, float | None], operator: str, reason: str
) -> Change:
    """Settings of the whole site (`subject` empty), a group or a valve; None takes a value back."""
    return Change(
        ChangeKind.SETTINGS, subject, operator, reason, {"level": str(level), "values": dict(values)}
    )


def baseline_change(
    step: BaselineStep,
    subject: str,
    operator: str,
    reason: str,
    *,
    condition: int | None = None,
    value_db: float | None = None,
    scale_db: float | None = None,
    basis: Mapping[str, Any] | None = None,
) -> Change:
    """A step on the baseline of one channel, in one operating condition (its number) or in all (None).

    Args:
        subject: the valve's tag or the channel's name.
        value_db, scale_db: for `SET`, with a condition: median and scale that were found or copied.
        basis: where they come from (period, channel copied from), for the record only.
    """
    payload: dict[str, Any] = {"step": str(step), "condition": condition}
    if step is BaselineStep.SET:
        payload |= {"value_db": value_db, "scale_db": scale_db}
    if basis:
        payload["basis"] = dict(basis)
    return Change(ChangeKind.BASELINE, subject, operator, reason, payload)


def clock_told(channel: str, wrong: bool, offset_s: float, reason: str, operator: str) -> Change:
    """The intake finds that a sensor's clock is wrong, or right again; only it sees when samples arrive.

    `offset_s`: by how much its times are ahead (negative: behind).
    """
    payload = {"wrong": wrong, "offset_s": round(offset_s, 1)}
    return Change(ChangeKind.CLOCK, channel, operator, reason, payload)


def losses_reset(group: str, operator: str, reason: str = "") -> Change:
    """Forget what was learned of a group's losses and couplings."""
    return Change(ChangeKind.LOSSES_RESET, group, operator, reason)


def repair_done(
    valve: str, at_us: int, operator: str, reason: str = "", details: Mapping[str, Any] | None = None
) -> Change:
    """A repair of a valve, done at `at_us` (event time). `details`: kept on record, not looked at."""
    payload: dict[str, Any] = {"at_us": at_us}
    if details:
        payload["details"] = dict(details)
    return Change(ChangeKind.REPAIR, valve, operator, reason, payload)
