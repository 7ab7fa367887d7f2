"""A small plant with everything in it that matters for the record: 100,000 samples over some sixteen hours.

Three groups. XV-12 leaks and is heard at its neighbours, an operator takes note, it is repaired; XV-23 is
stroked; XV-33 and later XV-22 leak; the sensor of XV-24 falls silent and comes back. Levels of the first
group come as single JSON values, those of the others as SenML packs of a minute.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from support.publish import Sent, json_value, senml_pack

F64 = npt.NDArray[np.float64]

START_US = 1_772_323_200_000_000
"""2026-03-01T00:00:00Z."""
MINUTE_US = 60_000_000
COUNT = 100_000
TABLES: dict[str, dict[str, object]] = {"baseline": {"learn_s": 3600, "learn_windows": 5}}

LEAKS = (  # valve, minutes from, to, level at the source (dB)
    ("XV-12", 120, 500, 52.0),
    ("XV-33", 260, 600, 50.0),
    ("XV-22", 620, 1100, 54.0),
)
STROKE = ("XV-23", 200, 204)
SILENT = ("XV-24", 400, 460)
BREAKS = ((300, "XV-12"), (550, "XV-33"))
"""Minutes at which an operator acknowledges, and what."""
FIRST_HOURS = 320.0
"""Minutes: up to there two leaks are raised, one is acknowledged. Enough for tests that run all the time."""
LOSS_DB = 9.0

GROUPS = {
    "east": ["RP-1", "XV-11", "XV-12", "XV-13", "RP-4"],
    "west": ["RP-2", "XV-21", "XV-22", "XV-23", "XV-24", "RP-5"],
    "south": ["XV-31", "XV-32", "XV-33", "XV-34", "RP-6"],
}
BACKGROUND_DB = {"east": 21.0, "west": 24.0, "south": 19.0}


def register() -> list[dict[str, object]]:
    """Rows of register.csv."""
    rows: list[dict[str, object]] = []
    for group, places in GROUPS.items():
        for position, place in enumerate(places):
            row: dict[str, object] = {"channel": channel(place), "group": group, "position": position}
            row |= {"kind": "reference"} if place.startswith("RP") else {"kind": "valve", "valve": place}
            if group == "east" and row["kind"] == "valve":
                row |= {"upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
            if row["kind"] == "valve" and (group == "east" or place == STROKE[0]):
                row["closed_when"] = f"{place.replace('XV', 'ZT')} < 2"
            rows.append(row)
    return rows


def channel(place: str) -> str:
    return place.replace("XV", "AX").replace("RP", "AR")


@dataclass(frozen=True)
class Stream:
    """Messages in order of sending, each with how many samples it brings and when they were measured."""

    messages: list[Sent]
    sizes: list[int]
    until_us: list[int]
    samples: dict[str, tuple[list[int], list[float]]]

    def between(self, from_minute: float, to_minute: float) -> tuple[list[Sent], int]:
        """Messages sent in [from, to), and how many samples that is."""
        first, last = (START_US + int(m * MINUTE_US) for m in (from_minute, to_minute))
        rows = [i for i, at in enumerate(self.until_us) if first <= at < last]
        return [self.messages[i] for i in rows], sum(self.sizes[i] for i in rows)

    def segments(
        self, until_minute: float = 1e9, cuts: tuple[float, ...] = ()
    ) -> list[tuple[list[Sent], int, str | None]]:
        """The stream cut where an operator acts: messages, samples, the valve to acknowledge after them.

        `cuts`: further minutes at which it is cut.
        """
        acts = {float(minute): valve for minute, valve in BREAKS}
        inner = sorted(minute for minute in {*acts, *cuts} if minute < until_minute)
        edges = [0.0, *inner, until_minute]
        valves: list[str | None] = [*(acts.get(minute) for minute in inner), None]
        return [
            (*self.between(start, end), valve)
            for start, end, valve in zip(edges[:-1], edges[1:], valves, strict=True)
        ]


@cache
def stream() -> Stream:
    """The whole plant's stream, the same every time."""
    found = sorted(_messages(), key=lambda row: row[0])
    messages, sizes, times = [], [], []
    stored: dict[str, tuple[list[int], list[float]]] = {}
    count = 0
    for at_us, message, records in found:
        if count + len(records) > COUNT:
            continue
        count += len(records)
        messages.append(message)
        sizes.append(len(records))
        times.append(at_us)
        for name, time_us, value in records:
            columns = stored.setdefault(name, ([], []))
            columns[0].append(time_us)
            columns[1].append(value)
    assert count == COUNT, count
    return Stream(messages, sizes, times, stored)


Row = tuple[int, Sent, list[tuple[str, int, float]]]


def _messages() -> Iterator[Row]:
    rng = np.random.default_rng(11)
    minutes = 1060
    for group, places in GROUPS.items():
        t_s = np.arange(0, minutes * 60, 10)
        levels = {p: np.round(_level_db(group, p, t_s / 60.0, rng), 2) for p in places}
        if group == "east":
            yield from _singles(t_s, levels)
            yield from _process([p.replace("XV", "ZT") for p in places if p[0] == "X"], minutes, 0.5)
            yield from _process(["PT-1"], minutes, 40.0)
            yield from _process(["PT-2"], minutes, 5.0)
        else:
            yield from _packs(group, t_s, levels, minutes)
    yield from _process([STROKE[0].replace("XV", "ZT")], minutes, 0.5)


def _level_db(group: str, place: str, t_min: F64, rng: np.random.Generator) -> F64:
    """Background and whatever leaks or strokes in the group, added as powers."""
    power = np.full(len(t_min), 10 ** (BACKGROUND_DB[group] / 10))
    places = GROUPS[group]
    loud = [*LEAKS, (*STROKE, 60.0)]
    for valve, start, end, level_db in loud:
        if valve in places:
            away = abs(places.index(valve) - places.index(place))
            on = (t_min >= start) & (t_min < end)
            power += np.where(on, 10 ** ((level_db - LOSS_DB * away) / 10), 0.0)
    return np.asarray(10 * np.log10(power) + rng.normal(0.0, 0.4, len(t_min)), np.float64)


def _singles(t_s: npt.NDArray[np.int64], levels: dict[str, F64]) -> Iterator[Row]:
    for place, values in levels.items():
        name = channel(place)
        for second, value in zip(t_s.tolist(), values.tolist(), strict=True):
            at_us = START_US + second * 1_000_000
            yield at_us, (f"plant/east/json/{name}", json_value(value, at_us)), [(name, at_us, value)]


def _packs(group: str, t_s: npt.NDArray[np.int64], levels: dict[str, F64], minutes: int) -> Iterator[Row]:
    for minute in range(minutes):
        records: list[tuple[str, int, float, str]] = []
        for place, values in levels.items():
            if place == SILENT[0] and SILENT[1] <= minute < SILENT[2]:
                continue
            mine = slice(minute * 6, minute * 6 + 6)
            if place == "XV-34":
                records += _percentiles(channel(place), minute, values[mine])
                continue
            for second, value in zip(t_s[mine].tolist(), values[mine].tolist(), strict=True):
                records.append((channel(place), START_US + second * 1_000_000, value, "dB"))
        kept = [(name, at_us, value) for name, at_us, value, _ in records]
        yield (
            START_US + (minute + 1) * MINUTE_US - 1,
            (f"plant/{group}/levels", senml_pack(records)),
            kept,
        )


def _percentiles(name: str, minute: int, values: F64) -> list[tuple[str, int, float, str]]:
    """A sensor that reports its own L10, L50 and L90."""
    at_us = START_US + minute * MINUTE_US
    found = zip(("/L10", "/L50", "/L90"), np.percentile(values, (90, 50, 10)).tolist(), strict=True)
    return [(name + end, at_us, round(value, 2), "dB") for end, value in found]


def _process(tags: list[str], minutes: int, value: float) -> Iterator[Row]:
    for tag in tags:
        strokes = tag == STROKE[0].replace("XV", "ZT")
        for minute in range(minutes):
            at_us = START_US + minute * MINUTE_US
            now = 99.0 if strokes and STROKE[1] <= minute < STROKE[2] else value
            yield at_us, (f"plant/east/process/{tag}", json_value(now, at_us)), [(tag, at_us, now)]
