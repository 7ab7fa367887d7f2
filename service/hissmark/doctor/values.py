"""What arrived last, looked at closely: clocks of another zone, volts for decibels, swapped pressures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.doctor.finding import Finding, look, some, wrong
from hissmark.engine.register import Register
from hissmark.publish.times import age_text
from hissmark.store.arrivals import GoneError
from hissmark.store.reader import Reader

_AREA = "data"
TRANSACTIONS = 300
MOST_SAMPLES = 200_000
ENOUGH = 3
"""Samples of a name from which something is concluded."""

ZONE_STEP_S = 900.0
"""Time zones differ by multiples of a quarter of an hour (IANA time zone database, e.g. +05:45)."""
ZONE_LEAST_S = 1800.0
ZONE_SLACK_S = 60.0
MOST_VOLTS = 1.0
"""Levels that never pass it are no decibels of a plant, rather volts. Common practice, no source."""
PRESSURE_SPAN_US = 2 * 3600 * 1_000_000


@dataclass(frozen=True, slots=True)
class Recent:
    """Samples of one name among the newest that arrived; times in microseconds."""

    kind: str
    arrived_us: npt.NDArray[np.int64]
    time_us: npt.NDArray[np.int64]
    value: npt.NDArray[np.float64]

    @property
    def delay_s(self) -> float | None:
        """How long after its own time a sample arrives, at best; negative if its clock is ahead.

        None if they did not arrive as they were taken: what is sent later in one go tells of no clock.
        """
        lasted_us = int(np.ptp(self.time_us)) - int(np.ptp(self.arrived_us))
        if np.ptp(self.arrived_us) == 0 or abs(lasted_us) > ZONE_SLACK_S * 1e6:
            return None
        return float((self.arrived_us - self.time_us).min()) / 1e6


def recent(reader: Reader) -> dict[str, Recent]:
    """Name -> what arrived of it last; empty where arrivals are not kept (`feed_days = 0`)."""
    try:
        found = reader.arrivals(max(0, reader.newest_arrival() - TRANSACTIONS), MOST_SAMPLES)
    except GoneError:  # nothing came since the last ones were forgotten
        return {}
    if not found:
        return {}
    names = {row.id: row for row in reader.series()}
    number = np.concatenate([a.columns.series_id for a in found])
    arrived_us = np.concatenate([np.full(len(a.columns.series_id), a.at_us, np.int64) for a in found])
    time_us = np.concatenate([a.columns.time_us for a in found])
    value = np.concatenate([a.columns.value for a in found])
    return {
        names[i].name: Recent(names[i].kind, arrived_us[mine], time_us[mine], value[mine])
        for i in np.unique(number).tolist()
        if i in names and (mine := number == i).sum() >= ENOUGH
    }


def look_at_values(register: Register, reader: Reader, latest: Mapping[str, Recent]) -> Iterator[Finding]:
    """`latest`: as `recent` gives it."""
    yield from _zones(latest)
    yield from _volts(latest)
    yield from _swapped(register, reader)


def _zones(latest: Mapping[str, Recent]) -> Iterator[Finding]:
    by_zone: dict[float, list[str]] = {}
    for name, samples in latest.items():
        zone_s = _zone_s(samples.delay_s)
        if zone_s:
            by_zone.setdefault(zone_s, []).append(name)
    for zone_s, names in sorted(by_zone.items()):
        whose = "all names" if len(names) == len(latest) else f"{len(names)} of {len(latest)} names"
        which = "behind" if zone_s > 0 else "ahead of"
        said = (
            f"The times of {whose} are {age_text(abs(zone_s))} {which} this machine's clock, to the minute: "
            f"{some(names)}."
        )
        do = "That is a time zone, not a delay: have the gateway send UTC (RFC 3339 with Z, or epoch time)."
        yield wrong(_AREA, said, do)


def _zone_s(delay_s: float | None) -> float:
    """The time zone that explains a delay, in seconds; 0 if none does."""
    if delay_s is None:
        return 0.0
    zone_s = round(delay_s / ZONE_STEP_S) * ZONE_STEP_S
    is_zone = abs(zone_s) >= ZONE_LEAST_S and abs(zone_s) <= 14 * 3600
    return zone_s if is_zone and -5.0 <= delay_s - zone_s <= ZONE_SLACK_S else 0.0


def _volts(latest: Mapping[str, Recent]) -> Iterator[Finding]:
    low = [
        name
        for name, samples in latest.items()
        if samples.kind == "level" and (samples.value > 0).all() and (samples.value <= MOST_VOLTS).all()
    ]
    if low:
        most = max(float(latest[name].value.max()) for name in low)
        said = f"{len(low)} levels never pass {most:.3g}: {some(low)}. Are these volts?"
        do = "Levels are decibels: have the gateway send 20 lg(U/Uref), with one Uref for all."
        yield look(_AREA, said, do)


def _swapped(register: Register, reader: Reader) -> Iterator[Finding]:
    pairs = {
        c.subject: (c.upstream_pressure, c.downstream_pressure)
        for c in register.channels
        if c.upstream_pressure and c.downstream_pressure
    }
    typical = _typical(reader, sorted({tag for pair in pairs.values() for tag in pair}))
    swapped = [
        f"{subject} ({up} {typical[up]:.3g} bar, {down} {typical[down]:.3g} bar)"
        for subject, (up, down) in pairs.items()
        if up in typical and down in typical and typical[down] > typical[up]
    ]
    if swapped:
        said = f"At {len(swapped)} valves the pressure is higher downstream than upstream: {some(swapped)}."
        do = "If the flow does not turn there, upstream_pressure and downstream_pressure are swapped."
        yield look(_AREA, said, do)


def _typical(reader: Reader, tags: list[str]) -> dict[str, float]:
    """Tag -> median over the last hours of it, of those that are on record."""
    extent = reader.sample_extent()
    if extent is None or not tags:
        return {}
    values: dict[str, list[npt.NDArray[np.float64]]] = {}
    for page in reader.raw(tags, extent.last_us - PRESSURE_SPAN_US, extent.last_us + 1):
        for i in np.unique(page.series).tolist():
            values.setdefault(tags[i], []).append(page.value[page.series == i])
    return {tag: float(np.median(np.concatenate(parts))) for tag, parts in values.items()}
