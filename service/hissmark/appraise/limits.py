"""Upper bounds of leaks from process tags, and measured leaks out of them where the valve is passing."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt

from hissmark.appraise.conditions import BAR_PA, US, conditions_of, last_values
from hissmark.appraise.knowledge import Knowledge
from hissmark.appraise.levels import NoLevelError, level_then
from hissmark.engine.register import Channel
from hissmark.judge.verdicts import Verdict
from hissmark.store.calibrations import Calibration
from hissmark.store.reader import Reader
from hissmark.worth import bounds, units
from hissmark.worth.assumptions import Assumptions
from hissmark.worth.bounds import Bound
from hissmark.worth.flow import State
from hissmark.worth.measure import USUAL_SHARE, Method, mass_flow
from hissmark.worth.media import Medium
from hissmark.worth.trace import Step, figure
from hissmark.worth.units import ATMOSPHERE_PA

BY_TAGS = "process tags"
WINDOW_US = 3600 * US
AGAIN_US = 24 * 3600 * US
FEWEST_TICKS = 10


def has_tags(channel: Channel) -> bool:
    """Whether the register names something that bounds a leak of the valve."""
    return bool(channel.leak_flow or (channel.closed_volume and channel.downstream_pressure))


def bound_of(channel: Channel, assumed: Assumptions, reader: Reader, at_us: int) -> Bound | None:
    """The most that can pass, from the hour before a moment; None if nothing can be told.

    The valve has to be known closed at every tick of that hour.
    """
    medium = assumed.medium
    if not has_tags(channel) or medium is None or not _closed(channel, reader, at_us):
        return None
    if channel.leak_flow:
        return _by_meter(channel.leak_flow, channel.leak_flow_unit, medium, reader, at_us)
    if medium.is_liquid or medium.phase == "steam":
        return None
    return _by_decay(channel, assumed, medium, reader, at_us)


def with_hole(bound: Bound, medium: Medium, state: State | None) -> Bound:
    """The same with the hole that would explain it, for the eye."""
    if state is None:
        return bound
    return dataclasses.replace(bound, steps=(*bound.steps, bounds.as_hole(bound.rate_kg_s, medium, state)))


def new_by_tags(channel: Channel, knowledge: Knowledge, reader: Reader, at_us: int) -> Calibration | None:
    """A measured leak out of the last hour's tags, if the valve was passing throughout and none is a day
    old.
    """
    recent = [
        r for r in reader.calibrations(channel.subject) if r.author == BY_TAGS and r.at_us > at_us - AGAIN_US
    ]
    if recent or not has_tags(channel) or not _closed(channel, reader, at_us, passing=True):
        return None
    assumed = knowledge.assumptions(channel)
    found, medium = bound_of(channel, assumed, reader, at_us), assumed.medium
    if found is None or medium is None:
        return None
    try:
        level = level_then(reader, channel, at_us - WINDOW_US // 2, WINDOW_US // 2)
    except NoLevelError:
        return None
    return _as_point(
        channel, knowledge, reader, at_us, found, medium, (level.level_db, level.sd_db, level.steps)
    )


def _as_point(
    channel: Channel, knowledge: Knowledge, reader: Reader, at_us: int, found: Bound, medium: Medium,
    level: tuple[float, float, tuple[Step, ...]],
) -> Calibration:  # fmt: skip
    tags = [channel.upstream_pressure or "", channel.downstream_pressure or ""]
    there = conditions_of(channel, knowledge.assumptions(channel), last_values(reader, tags, at_us))
    usual = math.log10(1.0 + USUAL_SHARE[Method.TAGS]) / 2.0
    sd = math.hypot(usual, found.sd_kg_s / found.rate_kg_s / math.log(10.0))
    state, where = there.state, channel.leak_flow or channel.downstream_pressure or ""
    steps = [dataclasses.astuple(s) for s in (*found.steps, *level[2], *there.steps)]
    return Calibration(
        channel.subject, at_us, BY_TAGS, f"passing while {where} was heard", medium.name,
        level[0], level[1], found.rate_kg_s, sd, state.upstream_pa if state else None,
        state.downstream_pa if state else None, state.temperature_k if state else None,
        {"leak": f"{figure(found.rate_kg_s * 3600)} kg/h", "method": Method.TAGS.value}, tuple(steps),
    )  # fmt: skip


def _closed(channel: Channel, reader: Reader, at_us: int, *, passing: bool = False) -> bool:
    """Whether the valve was known closed (and passing) at every tick of the hour."""
    history = reader.history(channel.group, channel.name, at_us - WINDOW_US, at_us + 1)
    if len(history) < FEWEST_TICKS:
        return False
    closed = bool((history.open_ == 0).all())
    return closed and (not passing or bool((history.verdict == Verdict.PASSING).all()))


def _series(reader: Reader, tag: str, at_us: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]:
    parts = list(reader.raw([tag], at_us - WINDOW_US, at_us + 1))
    if not parts:
        return np.empty(0, np.int64), np.empty(0)
    return np.concatenate([p.time_us for p in parts]), np.concatenate([p.value for p in parts])


def _by_meter(tag: str, unit: str, medium: Medium, reader: Reader, at_us: int) -> Bound | None:
    _, values = _series(reader, tag, at_us)
    try:
        per_unit, how = mass_flow(units.flow(f"1 {unit}"), medium, {})
    except units.UnitError:
        return None
    found = bounds.of_flow(tag, values * per_unit)
    if found is None:
        return None
    return dataclasses.replace(found, steps=(*found.steps, Step("unit of the tag", unit, how)))


def _by_decay(
    channel: Channel, assumed: Assumptions, medium: Medium, reader: Reader, at_us: int
) -> Bound | None:
    tag = channel.downstream_pressure or ""
    times, values = _series(reader, tag, at_us)
    from_atmosphere = ATMOSPHERE_PA if assumed.text("pressure tags") == "gauge" else 0.0
    kelvin = assumed.number("temperature") or 293.15
    volume = units.volume_m3(channel.closed_volume)
    return bounds.of_decay(tag, times / US, values * BAR_PA + from_atmosphere, volume, kelvin, medium)
