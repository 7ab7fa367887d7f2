"""Draws the golden scenarios of this folder: who hears what, minute by minute.

    python tests/cases/draw.py

Writes `input.jsonl` of every case anew (same seed, same file). What is expected of each stands in its
`expected.jsonl`, written by hand.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
BEGIN = datetime(2026, 3, 2, tzinfo=UTC)
Values = dict[str, float]

QUIET: Values = {"AE-101": 22.0, "AE-102": 25.0, "AE-103": 21.0, "AE-104": 24.0, "AE-105": 23.0, "RP-1": 26.0}
PLANT: Values = {"ZT-103": 0.4, "PT-1": 41.0, "PT-2": 6.0}
#: what XV-103 passing adds, about 11 dB less from place to place (common practice, no source)
LEAK: Values = {"AE-101": 30.0, "AE-102": 41.0, "AE-103": 53.0, "AE-104": 41.0, "AE-105": 30.0, "RP-1": 19.0}


def added(levels: Values, source: Values) -> Values:
    """Background and source together: powers add."""
    return {
        name: float(10 * np.log10(10 ** (level / 10) + 10 ** (source.get(name, -99.0) / 10)))
        for name, level in levels.items()
    }


def repaired(minute: int) -> Values:
    """XV-103 begins to pass after three hours and is shut tight two hours later."""
    return {**(added(QUIET, LEAK) if 180 <= minute < 300 else QUIET), **PLANT}


def opened(minute: int) -> Values:
    """XV-103 is opened for an hour and closed again."""
    open_ = 180 <= minute < 240
    loud = {name: level + 8.0 for name, level in LEAK.items()}
    return {**(added(QUIET, loud) if open_ else QUIET), **PLANT, "ZT-103": 85.0 if open_ else 0.4}


def pressure_lost(minute: int) -> Values:
    """XV-103 passes; for two hours the pressure difference is gone, and with it the hiss."""
    lost = 300 <= minute < 420
    heard = added(QUIET, LEAK) if minute >= 180 and not lost else QUIET
    return {**heard, **PLANT, "PT-2": 40.8 if lost else 6.0}


def loose(minute: int) -> Values:
    """The sensor of XV-102 works loose and is fixed again."""
    heard = {**QUIET, "AE-102": 11.0} if 180 <= minute < 420 else QUIET
    return {**heard, **PLANT}


def pump(minute: int) -> Values:
    """A pump nearby: everybody rises alike, and falls again."""
    lift = 9.0 if 180 <= minute < 420 else 0.0
    return {**{name: level + lift for name, level in QUIET.items()}, **PLANT}


def silent(minute: int) -> Values:
    """The radio of XV-104's sensor is gone for five hours: longer than a gap in the radio."""
    heard = {k: v for k, v in QUIET.items() if not (k == "AE-104" and 180 <= minute < 480)}
    return {**heard, **PLANT}


CASES: dict[str, tuple[Callable[[int], Values], int]] = {
    "leak-and-repair": (repaired, 420),
    "opened-and-closed": (opened, 420),
    "pressure-lost": (pressure_lost, 540),
    "sensor-loose": (loose, 720),
    "pump-nearby": (pump, 540),
    "radio-silent": (silent, 660),
}


def lines(case: str) -> list[str]:
    """One line a minute: time and what arrived then; levels scatter by 0.4 dB."""
    heard, minutes = CASES[case]
    rng = np.random.default_rng(zlib.crc32(case.encode()))
    rows = []
    for minute in range(minutes):
        at = (BEGIN + timedelta(minutes=minute)).isoformat().replace("+00:00", "Z")
        values = {
            name: round(value + (rng.normal(0.0, 0.4) if name[:2] in ("AE", "RP") else 0.0), 2)
            for name, value in heard(minute).items()
        }
        rows.append(json.dumps({"time": at, "values": values}))
    return rows


def main() -> None:
    for case in CASES:
        (HERE / case / "input.jsonl").write_text("\n".join(lines(case)) + "\n", "utf-8")


if __name__ == "__main__":
    main()
