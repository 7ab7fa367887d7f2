"""A measured leak as typed, made into a calibration: level from the history, pressures from tags, all on
record.
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping

from hissmark.appraise.conditions import conditions_of, last_values
from hissmark.appraise.knowledge import Knowledge
from hissmark.appraise.levels import NoLevelError, level_then
from hissmark.engine.register import Channel
from hissmark.store.calibrations import WITHDRAWN, Calibration
from hissmark.store.reader import Reader
from hissmark.worth.assumptions import Assumed, Assumptions, Origin, fluid
from hissmark.worth.measure import measured
from hissmark.worth.trace import Step
from hissmark.worth.units import UnitError

FIELDS = (
    "leak", "decay_volume", "decay_from", "decay_to", "decay_time", "method", "uncertainty", "level", "fluid",
    "upstream", "downstream", "temperature", "measured_at_temperature", "measured_at_pressure", "bubble",
    "drop",
)  # fmt: skip
"""What may be typed of a point."""

TYPED_LEVEL_SD_DB = 1.0
"""Standard deviation of a leak-only level that somebody typed: judgement, no source."""


class PointError(ValueError):
    """A measured leak cannot be taken as it was given; the message says why and what to do."""


def new_point(
    channel: Channel, at_us: int, typed: Mapping[str, str], author: str, reason: str, knowledge: Knowledge,
    reader: Reader,
) -> Calibration:  # fmt: skip
    """The calibration, ready to be put on record. Raises PointError."""
    given = {key: text.strip() for key, text in typed.items() if text and text.strip()}
    strange = [key for key in given if key not in FIELDS]
    if strange:
        raise PointError(f"{strange[0]!r} is nothing that a measured leak has. It has: {', '.join(FIELDS)}.")
    try:
        return _made(channel, at_us, given, author, reason, knowledge, reader)
    except (UnitError, NoLevelError) as error:
        raise PointError(str(error)) from None


def _made(
    channel: Channel, at_us: int, given: Mapping[str, str], author: str, reason: str, knowledge: Knowledge,
    reader: Reader,
) -> Calibration:  # fmt: skip
    assumed = _for_point(knowledge.assumptions(channel), given)
    medium = assumed.medium
    if medium is None:
        raise PointError("It is not known what flows through the valve: give the fluid.")
    leak = measured(given, medium)
    level_db, sd_db, difference_bar, level_steps = _level(channel, at_us, given, reader)
    tags = [channel.upstream_pressure or "", channel.downstream_pressure or ""]
    values = {} if "upstream" in given else last_values(reader, tags, at_us)
    there = conditions_of(channel, assumed, values, difference_bar)
    state = there.state
    if state is not None and state.difference_pa <= 0.0:
        raise PointError("Without a pressure difference nothing leaks: check the pressures.")
    steps = [*leak.steps, *level_steps, *there.steps]
    return Calibration(
        channel.subject, at_us, author, reason, medium.name, level_db, sd_db, leak.rate_kg_s, leak.sd_decades,
        state.upstream_pa if state else None, state.downstream_pa if state else None,
        state.temperature_k if state else None, given, tuple(dataclasses.astuple(s) for s in steps),
    )  # fmt: skip


def _for_point(assumed: Assumptions, given: Mapping[str, str]) -> Assumptions:
    """What holds for the valve, but for what was typed of the point itself."""
    own = {
        name: Assumed(name, fluid(given[name]).name if name == "fluid" else given[name], Origin.VALVE)
        for name in ("fluid", "upstream", "downstream", "temperature")
        if name in given
    }
    return Assumptions({**assumed.rows, **own}.values())


def _level(
    channel: Channel, at_us: int, given: Mapping[str, str], reader: Reader
) -> tuple[float, float, float | None, tuple[Step, ...]]:
    if "level" not in given:
        found = level_then(reader, channel, at_us)
        return found.level_db, found.sd_db, found.difference_bar, found.steps
    match = re.fullmatch(r"([-+]?\d+(?:\.\d+)?)\s*(?:dB)?", given["level"])
    if match is None or abs(float(match[1])) > 400:
        raise PointError(f"{given['level']!r} is no level. Write for instance: 52.4 dB")
    how = f"leak-only level as typed; taken to be good to ± {2 * TYPED_LEVEL_SD_DB:g} dB"
    return float(match[1]), TYPED_LEVEL_SD_DB, None, (Step("level of the leak alone", given["level"], how),)


def withdrawal(row: Calibration, author: str, reason: str) -> Calibration:
    """A row that takes a point back. Raises PointError without a reason."""
    if not reason.strip():
        raise PointError("Say why the point is taken back: it stays on record with that reason.")
    return dataclasses.replace(
        row, kind=WITHDRAWN, supersedes=row.id, author=author, reason=reason, id=0, recorded_us=0
    )
