"""Whether a repair has worked, from the ticks of its group: pure, and the same however the ticks are cut.

After the work the source *and* its group must stay back near their backgrounds, under pressure difference,
for a hold time without a break. Then the valve is tight again. If the valve goes on being the source for
as long, it is still passing; if another valve of the group does, the source is elsewhere. What could not be
tested in time says so and why. Nothing here proves isolation: the check hears a leak, or hears none.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from hissmark.engine.settings import RepairSettings
from hissmark.judge.verdicts import Reason, Verdict

US = 1_000_000


class Ticks(Protocol):
    """Ticks of one group, ascending; arrays [ticks, channels] but `time_us`. A `Block` is one."""

    @property
    def channels(self) -> tuple[str, ...]: ...
    @property
    def time_us(self) -> npt.NDArray[np.int64]: ...
    def column(self, name: str) -> npt.NDArray[Any]:
        """One of level_db, rise_db, baseline_db, difference_bar, verdict, reason, ..."""
        ...


class Outcome(StrEnum):
    """What a check found in the end."""

    TIGHT_AGAIN = "tight again"
    STILL_PASSING = "still passing"
    SOURCE_ELSEWHERE = "source elsewhere"
    NOT_TESTED = "not tested"


class Hindrance(StrEnum):
    """Why a tick says nothing about the repair."""

    NO_TICK = "nothing heard since the work"
    SETTLING = "the sound has not settled yet"
    NO_PRESSURE = "no pressure difference"
    LESS_PRESSURE = "less pressure difference than when it was heard"
    PRESSURE_NOT_HEARD = "its pressures are not heard"
    OPEN = "the valve is open"
    POSITION_NOT_HEARD = "its position is not heard"
    NO_DATA = "no fresh data from its sensor"
    SENSOR = "its sensor has a fault"
    LEARNING = "its background is still being learned"
    RAISED = "it is over its background, and it is not plain why"
    GROUP = "its group is not back at the background"
    AGAIN = "it was repaired again before it could be tested"


_OF_REASON = {
    Reason.NO_PRESSURE_DIFFERENCE: Hindrance.NO_PRESSURE,
    Reason.PRESSURE_NOT_HEARD: Hindrance.PRESSURE_NOT_HEARD,
    Reason.OPEN: Hindrance.OPEN,
    Reason.JUST_STROKED: Hindrance.SETTLING,
    Reason.POSITION_NOT_HEARD: Hindrance.POSITION_NOT_HEARD,
    Reason.SENSOR_FAULT: Hindrance.SENSOR,
    Reason.BASELINE_LEARNING: Hindrance.LEARNING,
}
_NOT_COUNTED = (
    Reason.OPEN, Reason.JUST_STROKED, Reason.POSITION_NOT_HEARD, Reason.SENSOR_FAULT, Reason.NO_FRESH_DATA,
    Reason.TOO_FEW_SAMPLES, Reason.BASELINE_LEARNING,
)  # fmt: skip
"""Channels that say nothing about the group while they are so: what they hear is their own, or nothing."""


@dataclass(frozen=True, slots=True)
class Case:
    """One repair to be checked.

    Attributes:
        at_us: when the work was done.
        channel: name of the channel on the repaired valve.
        valve_of: channel -> tag, for the channels of its group that sit on valves.
        window_us: how long a window of its sensor is; nothing before one window after the work counts.
        gap_us: ticks further apart than this break a hold.
        before_bar: pressure difference when the leak was last heard; None if that is not known.
        settings: hold time and limits.
    """

    at_us: int
    channel: str
    valve_of: dict[str, str]
    window_us: int
    gap_us: int
    before_bar: float | None
    settings: RepairSettings

    @property
    def hold_us(self) -> int:
        return max(self.settings.hold_s * US, self.window_us)


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a check has come.

    Attributes:
        sign: what the ticks say since `since_us`; None while they say nothing (`hindrance` tells why).
        about: the other valve or channel that `sign` or `hindrance` is about.
        last_us: the last tick that was looked at, 0 before the first.
        hindered: ticks lost to each hindrance so far.
        outcome: how it ended; None while it runs. Then `last_us` is when.
    """

    sign: Outcome | None = None
    since_us: int = 0
    last_us: int = 0
    hindrance: Hindrance | None = Hindrance.NO_TICK
    about: str | None = None
    hindered: tuple[tuple[Hindrance, int], ...] = ()
    outcome: Outcome | None = None

    @property
    def held_us(self) -> int:
        return self.last_us - self.since_us if self.sign is not None else 0


@dataclass(frozen=True, slots=True)
class _Said:
    """What one tick says."""

    sign: Outcome | None
    hindrance: Hindrance | None = None
    about: str | None = None


def follow(case: Case, progress: Progress, ticks: Ticks) -> Progress:
    """Look at more ticks of the group; ticks already looked at change nothing."""
    reader = _Reader.of(case, ticks)
    for row in np.flatnonzero(ticks.time_us > max(progress.last_us, case.at_us)).tolist():
        if progress.outcome is not None:
            break
        progress = _next(case, progress, int(ticks.time_us[row]), reader.said(row))
    return progress


def _next(case: Case, before: Progress, at_us: int, said: _Said) -> Progress:
    broken = at_us - before.last_us > case.gap_us
    same = not broken and (said.sign, said.about) == (before.sign, before.about) and said.sign is not None
    hindered = before.hindered if said.hindrance is None else _counted(before.hindered, said.hindrance)
    now = Progress(said.sign, before.since_us if same else at_us, at_us, said.hindrance, said.about, hindered)
    if said.sign is not None and now.held_us >= case.hold_us:
        return replace(now, outcome=said.sign)
    if at_us - case.at_us >= case.settings.wait_s * US and said.sign is None:
        return given_up(now)
    return now


def given_up(progress: Progress, why: Hindrance | None = None) -> Progress:
    """Ended without a test, for what hindered it longest (or for `why`)."""
    most = why or max(progress.hindered, key=lambda h: h[1], default=(Hindrance.NO_TICK, 0))[0]
    return replace(progress, sign=None, outcome=Outcome.NOT_TESTED, hindrance=most)


def _counted(
    hindered: tuple[tuple[Hindrance, int], ...], one: Hindrance
) -> tuple[tuple[Hindrance, int], ...]:
    counts = dict(hindered)
    counts[one] = counts.get(one, 0) + 1
    return tuple(sorted(counts.items()))


@dataclass(frozen=True, slots=True)
class _Reader:
    """The columns of some ticks as the check reads them."""

    case: Case
    ticks: Ticks
    own: int
    others: tuple[int, ...]
    valves: tuple[int, ...]
    verdict: npt.NDArray[np.uint8]
    reason: npt.NDArray[np.uint8]
    rise_db: npt.NDArray[np.float32]
    difference_bar: npt.NDArray[np.float32]

    @staticmethod
    def of(case: Case, ticks: Ticks) -> _Reader:
        names = ticks.channels
        own = names.index(case.channel) if case.channel in names else -1
        others = tuple(i for i in range(len(names)) if i != own)
        valves = tuple(i for i in others if names[i] in case.valve_of)
        return _Reader(
            case, ticks, own, others, valves, ticks.column("verdict"), ticks.column("reason"),
            ticks.column("rise_db"), ticks.column("difference_bar"),
        )  # fmt: skip

    def said(self, row: int) -> _Said:
        if self.own < 0:
            return _Said(None, Hindrance.NO_DATA)
        hindrance = self._hindrance(row)
        if hindrance is not None:
            return _Said(None, hindrance)
        if self.verdict[row, self.own] == Verdict.PASSING:
            return _Said(Outcome.STILL_PASSING)
        elsewhere = [i for i in self.valves if self.verdict[row, i] == Verdict.PASSING]
        if elsewhere:
            loudest = max(elsewhere, key=lambda i: float(self.rise_db[row, i]))
            return _Said(Outcome.SOURCE_ELSEWHERE, None, self.case.valve_of[self.ticks.channels[loudest]])
        return self._back(row)

    def _hindrance(self, row: int) -> Hindrance | None:
        """What keeps the repaired valve from being tested at all."""
        verdict, reason = int(self.verdict[row, self.own]), int(self.reason[row, self.own])
        if verdict == Verdict.NOT_TESTABLE or verdict not in set(Verdict):
            return _OF_REASON.get(Reason(reason)) if reason in set(_OF_REASON) else Hindrance.NO_DATA
        if int(self.ticks.time_us[row]) < self.case.at_us + self.case.window_us:
            return Hindrance.SETTLING
        return Hindrance.SETTLING if verdict == Verdict.UNSETTLED else None

    def _back(self, row: int) -> _Said:
        """No valve is called passing: is everything back near the background?"""
        near_db = self.case.settings.near_db
        if not self.rise_db[row, self.own] <= near_db:
            return _Said(None, Hindrance.RAISED)
        raised = [
            i for i in self.others
            if self.rise_db[row, i] > near_db and self.reason[row, i] not in _NOT_COUNTED
        ]  # fmt: skip
        if raised:
            loudest = self.ticks.channels[max(raised, key=lambda i: float(self.rise_db[row, i]))]
            return _Said(None, Hindrance.GROUP, self.case.valve_of.get(loudest, loudest))
        if self._less_pressure(row):
            return _Said(None, Hindrance.LESS_PRESSURE)
        return _Said(Outcome.TIGHT_AGAIN)

    def _less_pressure(self, row: int) -> bool:
        before, now = self.case.before_bar, float(self.difference_bar[row, self.own])
        return before is not None and np.isfinite(now) and now < self.case.settings.pressure_share * before


@dataclass(frozen=True, slots=True)
class Levels:
    """Typical levels of a group over some ticks, in pipe order; None where not known.

    Attributes: medians over the ticks from `from_us` to `to_us`; `difference_bar` across the repaired valve.
    """

    from_us: int
    to_us: int
    channels: tuple[str, ...]
    level_db: tuple[float | None, ...]
    l50_db: tuple[float | None, ...]
    l10_db: tuple[float | None, ...]
    baseline_db: tuple[float | None, ...]
    rise_db: tuple[float | None, ...]
    expected_db: tuple[float | None, ...]
    verdict: tuple[str, ...]
    reason: tuple[str, ...]
    difference_bar: float | None


def levels_over(blocks: Sequence[Ticks], channel: str, from_us: int, to_us: int) -> Levels | None:
    """Medians of the ticks in [from_us, to_us], verdicts as of the last; None if there is none."""
    parts = [(b, np.flatnonzero((b.time_us >= from_us) & (b.time_us <= to_us))) for b in blocks]
    parts = [(b, rows) for b, rows in parts if len(rows)]
    if not parts:
        return None
    last, rows = parts[-1]
    names = last.channels
    same = [(b, r) for b, r in parts if b.channels == names]

    def middle(name: str) -> tuple[float | None, ...]:
        joined = np.concatenate([b.column(name)[r] for b, r in same])
        return tuple(_median(joined[:, i]) for i in range(len(names)))

    at = int(rows[-1])
    difference = middle("difference_bar")
    return Levels(
        int(same[0][0].time_us[same[0][1][0]]), int(last.time_us[at]), names, middle("level_db"),
        middle("l50_db"), middle("l10_db"), middle("baseline_db"), middle("rise_db"), middle("expected_db"),
        _texts(Verdict, last.column("verdict")[at]), _texts(Reason, last.column("reason")[at]),
        difference[names.index(channel)] if channel in names else None,
    )  # fmt: skip


def _median(values: npt.NDArray[np.float32]) -> float | None:
    known = values[np.isfinite(values)]
    return round(float(np.median(known)), 3) if len(known) else None


def _texts(kind: type[Verdict] | type[Reason], codes: npt.NDArray[np.uint8]) -> tuple[str, ...]:
    return tuple(kind(c).text if c in set(kind) else "" for c in codes.tolist())
