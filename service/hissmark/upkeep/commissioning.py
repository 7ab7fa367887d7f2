"""The commissioning check of a group: does every sensor and tag deliver what the register says it does?

Pure: samples and ticks come in, findings go out. What counts as believable is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from enum import StrEnum
from itertools import combinations

import numpy as np
import numpy.typing as npt

from hissmark.decode.columns import Flag
from hissmark.engine.conditions import OPERATORS, holds
from hissmark.engine.register import PERCENTILE_SUFFIXES, Channel

US = 1_000_000
LEAST_SAMPLES = 10
BELIEVABLE_DB = (-50.0, 150.0)
BELIEVABLE_BAR = (-1.1, 1500.0)
TWIN_SAMPLES = 50
TWIN_SHARE = 0.9
INTERVAL_FACTOR = 2.0
MISSING_SHARE = 0.2
CLOCK_S = 120.0
"""Behind or ahead of the service's clock by more than this (and its own interval) is worth a look."""


class Standing(StrEnum):
    """How one point of the check stands."""

    FINE = "fine"
    LOOK = "look at it"
    WRONG = "wrong"
    UNSEEN = "not seen yet"


@dataclass(frozen=True, slots=True)
class Point:
    """One point of the check: what was looked at, how it stands, what was found, what to do about it."""

    what: str
    standing: Standing
    found: str
    do: str = ""


@dataclass(frozen=True, slots=True)
class ChannelCheck:
    """All points of one channel."""

    channel: str
    subject: str
    points: tuple[Point, ...]

    @property
    def standing(self) -> Standing:
        """The worst of its points; one not seen yet is no fault."""
        for worst in (Standing.WRONG, Standing.LOOK, Standing.UNSEEN):
            if any(p.standing is worst for p in self.points):
                return worst
        return Standing.FINE


@dataclass(frozen=True)
class Series:
    """Samples of one name, ascending by time: int64 us, float64, uint8 `Flag`."""

    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]
    flags: npt.NDArray[np.uint8]

    def __len__(self) -> int:
        return len(self.time_us)

    @classmethod
    def empty(cls) -> Series:
        return cls(np.empty(0, np.int64), np.empty(0, np.float64), np.empty(0, np.uint8))


@dataclass(frozen=True)
class Heard:
    """What the check looks at.

    Attributes:
        series: name -> its samples in the span looked at. strays: names that arrive but are in no register.
        now_us: the service's clock.
    """

    series: Mapping[str, Series]
    strays: Sequence[str]
    now_us: int

    def of(self, name: str) -> Series:
        return self.series.get(name) or Series.empty()


def check_channels(channels: Sequence[Channel], heard: Heard) -> list[ChannelCheck]:
    """Every point but the spill pattern, channel by channel."""
    twins = twins_of(channels, heard)
    return [_check(c, heard, twins.get(c.name, [])) for c in channels]


def _check(channel: Channel, heard: Heard, twins: list[str]) -> ChannelCheck:
    own = level_of(channel, heard)
    points = [_is_heard(channel, own, heard)]
    if len(own):
        points += [
            _level_point(own),
            _twin_point(twins),
            _interval_point(channel, own, heard),
            _clock(own, heard),
        ]
    if channel.kind == "valve":
        points += _tag_points(channel, heard)
    return ChannelCheck(channel.name, channel.subject, tuple(points))


def level_of(channel: Channel, heard: Heard) -> Series:
    """The sensor's levels, or the floor it reports itself."""
    names = [channel.source, *(channel.source + suffix for suffix in reversed(PERCENTILE_SUFFIXES))]
    return next((heard.of(name) for name in names if len(heard.of(name))), Series.empty())


def _is_heard(channel: Channel, own: Series, heard: Heard) -> Point:
    if len(own):
        return Point(
            "heard", Standing.FINE, f"{_samples(own)} in {_span((heard.now_us - int(own.time_us[0])) / US)}"
        )
    hint = _stray(channel.source, heard) or "Look at sensor, gateway and topic."
    return Point("heard", Standing.WRONG, f"nothing arrives under {channel.source}", hint)


def _stray(name: str, heard: Heard) -> str:
    """A name much like it that arrives and is in no register: most likely the same, spelt otherwise."""
    by_lower = {stray.lower(): stray for stray in heard.strays}
    near = get_close_matches(name.lower(), list(by_lower), n=1, cutoff=0.75)
    return f"Did you mean {by_lower[near[0]]!r}, which arrives and is in no register?" if near else ""


def _level_point(own: Series) -> Point:
    low, high = float(own.value.min()), float(own.value.max())
    found = f"{low:.1f} to {high:.1f} dB"
    if not BELIEVABLE_DB[0] <= low <= high <= BELIEVABLE_DB[1]:
        return Point(
            "level", Standing.WRONG, found, "No level in dB: look at unit and scaling of the sensor."
        )
    if len(own) < LEAST_SAMPLES:
        return Point("level", Standing.UNSEEN, f"{found}, only {_samples(own)}", "Wait for more samples.")
    if low == high:
        return Point(
            "level", Standing.WRONG, f"always {low:g} dB", "It does not move: is the sensor connected?"
        )
    return Point("level", Standing.FINE, found)


def _twin_point(twins: list[str]) -> Point:
    if not twins:
        return Point("its own signal", Standing.FINE, "no other channel delivers the same values")
    return Point(
        "its own signal", Standing.WRONG, f"the same values as {', '.join(twins)}",
        "Two names carry one sensor: look at the wiring and the gateway's configuration.",
    )  # fmt: skip


def _interval_point(channel: Channel, own: Series, heard: Heard) -> Point:
    what = "interval"
    if len(own) < LEAST_SAMPLES:
        return Point(what, Standing.UNSEEN, f"only {_samples(own)}", "Wait for more samples.")
    every_s = float(np.median(np.diff(own.time_us))) / US
    found = f"every {every_s:.3g} s"
    expected_s = channel.interval_s
    if expected_s and not 1 / INTERVAL_FACTOR <= every_s / expected_s <= INTERVAL_FACTOR:
        return Point(
            what, Standing.LOOK, f"{found}, the register says {expected_s:g} s", "Correct one of them."
        )
    reach_s = (int(own.time_us[-1]) - int(own.time_us[0])) / US
    missing = 1 - (len(own) - 1) * every_s / max(reach_s, every_s)
    if missing > MISSING_SHARE:
        return Point(
            what, Standing.LOOK, f"{found}, but {missing:.0%} are missing", "Look at radio and gateway."
        )
    return Point(what, Standing.FINE, found)


def _clock(own: Series, heard: Heard) -> Point:
    what = "clock"
    if (own.flags & int(Flag.RECEIPT_TIME)).any():
        return Point(
            what, Standing.LOOK, "it sends no time; that of receipt is taken", "Let it send its time."
        )
    every_s = float(np.median(np.diff(own.time_us))) / US if len(own) > 1 else 0.0
    behind_s = (heard.now_us - int(own.time_us[-1])) / US
    bound_s = CLOCK_S + 2 * every_s
    if (own.flags & int(Flag.AHEAD)).any() or behind_s < -CLOCK_S:
        return Point(
            what, Standing.WRONG, "its times lie ahead of the service's clock", "Set the sensor's clock."
        )
    if behind_s > bound_s:
        do = "Is it still sending? If so, set its clock, or look for what holds its samples back."
        return Point(what, Standing.LOOK, f"newest sample {_span(behind_s)} old", do)
    return Point(what, Standing.FINE, f"newest sample {_span(max(behind_s, 0.0))} old")


def _tag_points(channel: Channel, heard: Heard) -> list[Point]:
    condition = channel.closed_when
    points = [_closed_point(channel, heard)] if condition else []
    if not condition and not channel.upstream_pressure:
        points.append(
            Point(
                "test conditions", Standing.LOOK, "neither position nor pressures: judged on sound alone",
                "Give closed_when and the pressure tags if the plant has them.",
            )
        )  # fmt: skip
    up, down = channel.upstream_pressure, channel.downstream_pressure
    sides = {"upstream pressure": up, "downstream pressure": down}
    points += [_pressure_point(what, tag, heard) for what, tag in sides.items() if tag]
    if up and down and len(heard.of(up)) and len(heard.of(down)):
        points.append(_difference_point(up, down, heard))
    return points


def _silent(what: str, tag: str, heard: Heard) -> Point:
    hint = _stray(tag, heard) or "Look at the tag's name and at its source."
    return Point(what, Standing.WRONG, f"{tag} does not arrive", hint)


def _closed_point(channel: Channel, heard: Heard) -> Point:
    condition = channel.closed_when
    assert condition is not None  # noqa: S101 - asked for only where there is one
    own, what = heard.of(condition.tag), "closed"
    if not len(own):
        return _silent(what, condition.tag, heard)
    op = np.array([OPERATORS.index(condition.op)], np.int8)
    closed = bool(holds(op, own.value[-1:], np.array([condition.limit]))[0])
    found = f"{condition.tag} = {own.value[-1]:g}: {'closed' if closed else 'open'}"
    do = (
        ""
        if closed
        else f"If the valve is closed, {condition.tag} {condition.op} {condition.limit:g} is wrong."
    )
    return Point(what, Standing.FINE if closed else Standing.LOOK, found, do)


def _pressure_point(what: str, tag: str, heard: Heard) -> Point:
    own = heard.of(tag)
    if not len(own):
        return _silent(what, tag, heard)
    low, high = float(own.value.min()), float(own.value.max())
    found = f"{tag} = {own.value[-1]:g} bar"
    if not BELIEVABLE_BAR[0] <= low <= high <= BELIEVABLE_BAR[1]:
        return Point(what, Standing.WRONG, found, "No pressure in bar: look at its unit.")
    return Point(what, Standing.FINE, found)


def _difference_point(up: str, down: str, heard: Heard) -> Point:
    difference = float(heard.of(up).value[-1] - heard.of(down).value[-1])
    found = f"{difference:.3g} bar"
    if difference < 0:
        do = "Are upstream and downstream the right way round? It is judged by the size of the difference."
        return Point("pressure difference", Standing.LOOK, found, do)
    return Point("pressure difference", Standing.FINE, found)


def twins_of(channels: Sequence[Channel], heard: Heard) -> dict[str, list[str]]:
    """Channel -> others whose newest samples have the same times and values."""
    latest = {c.name: _newest(level_of(c, heard)) for c in channels}
    at: dict[tuple[int, float], list[str]] = {}
    for name, samples in latest.items():
        for sample in samples:
            at.setdefault(sample, []).append(name)
    common = Counter(pair for names in at.values() if 1 < len(names) < 50 for pair in combinations(names, 2))
    found: dict[str, list[str]] = {}
    for (one, other), count in common.items():
        fewest = min(len(latest[one]), len(latest[other]))
        if count >= max(LEAST_SAMPLES, TWIN_SHARE * fewest) and len({v for _, v in latest[one]}) > 1:
            found.setdefault(one, []).append(other)
            found.setdefault(other, []).append(one)
    return found


def _newest(own: Series) -> list[tuple[int, float]]:
    return list(zip(own.time_us[-TWIN_SAMPLES:].tolist(), own.value[-TWIN_SAMPLES:].tolist(), strict=True))


def _samples(own: Series) -> str:
    return "1 sample" if len(own) == 1 else f"{len(own)} samples"


def _span(seconds: float) -> str:
    """A length of time for people."""
    for unit, size in (("d", 86_400), ("h", 3600), ("min", 60)):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"


def worst_first(checks: Iterable[ChannelCheck]) -> list[ChannelCheck]:
    """What needs a hand first."""
    order = [Standing.WRONG, Standing.LOOK, Standing.UNSEEN, Standing.FINE]
    return sorted(checks, key=lambda c: order.index(c.standing))
