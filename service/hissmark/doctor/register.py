"""What the register gives away: groups that cannot be judged well, channels that take weeks to learn."""

from __future__ import annotations

from collections.abc import Iterator

from hissmark.doctor.finding import Finding, look, some
from hissmark.engine.register import Channel, Register

_AREA = "register"
SAMPLES_TO_JUDGE = 200
"""A channel is judged after so many samples, or after the learning time if that is later."""
LONG_DAYS = 7.0


def look_at_register(register: Register, heard_interval_s: dict[str, float]) -> Iterator[Finding]:
    """`heard_interval_s`: channel -> interval at which it really sends, of those that are known."""
    yield from _alone(register)
    yield from _nothing_beside(register)
    yield from _without_conditions(register)
    yield from _intervals(register, heard_interval_s)
    yield from _slow(register, heard_interval_s)


def _alone(register: Register) -> Iterator[Finding]:
    alone = [name for name, channels in register.groups.items() if len(channels) == 1]
    if alone:
        said = f"{len(alone)} of {len(register.groups)} groups have one channel only: {some(alone)}."
        do = (
            "Nothing can be compared there: noise from outside looks like a leak. Put channels on the same "
            "pipework into one group, or add a reference point on the pipe."
        )
        yield look(_AREA, said, do)


def _nothing_beside(register: Register) -> Iterator[Finding]:
    bare = [
        name
        for name, channels in register.groups.items()
        if len(channels) > 1 and not any(c.kind == "reference" for c in channels)
    ]
    if bare:
        said = f"{len(bare)} of {len(register.groups)} groups have no reference point: {some(bare)}."
        do = "They work. A sensor on the pipe at an end of the group tells noise from outside from a leak."
        yield look(_AREA, said, do)


def _without_conditions(register: Register) -> Iterator[Finding]:
    valves = [c for c in register.channels if c.kind == "valve"]
    for missing, what, do in (
        (
            [c for c in valves if c.closed_when is None], "no `closed_when`",
            "They are judged on sound alone: an open valve looks like a leak. Name their position tag.",
        ),
        (
            [c for c in valves if not (c.upstream_pressure and c.downstream_pressure)], "no pressures",
            "Without a pressure difference a leak is silent and shown as quiet. Name their pressure tags.",
        ),
    ):  # fmt: skip
        if missing:
            said = (
                f"{len(missing)} of {len(valves)} valves have {what}: {some([c.subject for c in missing])}."
            )
            yield look(_AREA, said, do)


def _intervals(register: Register, heard_interval_s: dict[str, float]) -> Iterator[Finding]:
    off = [
        f"{c.name} (every {_seconds(heard)}, register: {_seconds(c.interval_s)})"
        for c in register.channels
        if c.interval_s and (heard := heard_interval_s.get(c.name))
        and not 0.5 <= heard / c.interval_s <= 2.0
    ]  # fmt: skip
    if off:
        said = f"{len(off)} channels send at another interval than the register says: {some(off)}."
        yield look(_AREA, said, "Correct interval_s (or leave it empty), or the sensor's own setting.")


def _slow(register: Register, heard_interval_s: dict[str, float]) -> Iterator[Finding]:
    slow = {c.name: _days(c, heard_interval_s) for c in register.channels}
    slow = {name: days for name, days in slow.items() if days > LONG_DAYS}
    if slow:
        worst = max(slow.values())
        said = (
            f"{len(slow)} channels send so seldom that they take up to {worst:.0f} days of test conditions "
            f"until they are judged ({SAMPLES_TO_JUDGE} samples): {some(list(slow))}."
        )
        yield look(_AREA, said, "Wait, have them send more often, or import what was recorded before.")


def _days(channel: Channel, heard_interval_s: dict[str, float]) -> float:
    interval_s = heard_interval_s.get(channel.name) or channel.interval_s or 0.0
    return SAMPLES_TO_JUDGE * interval_s / 86_400


def _seconds(seconds: float) -> str:
    return f"{seconds:g} s"
