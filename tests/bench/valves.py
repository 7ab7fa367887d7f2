"""Invented leaking valves with known truth, to see how often the interval of the rate holds it.

They do not obey the model: the level follows a power of the mass flow that differs from valve to valve, the
pressures act otherwise than the standards say, sensors couple differently, levels wander from day to day,
and whoever measures errs by more or less than stated. `python tests/bench/valves.py` prints the coverage by
number of points.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass

import numpy as np

from hissmark.worth.calibrate import Point, fit
from hissmark.worth.flow import State
from hissmark.worth.media import MEDIA
from hissmark.worth.power import sound_power

GASES = ("natural gas", "nitrogen", "air", "hydrogen", "water")


@dataclass(frozen=True)
class Draw:
    """What an invented world is like.

    Attributes:
        exponent: lowest and highest of decades of level per ten decibels that its valves follow (the
        standards: 1).
        pressure: by how much the pressures' effect differs, standard deviation in dB per dB.
        wander_db: lowest and highest day-to-day standard deviation of a level.
        coupling_db: of the sensor, constant for a valve.
    """

    exponent: tuple[float, float] = (0.75, 1.25)
    pressure: float = 0.25
    wander_db: tuple[float, float] = (0.6, 2.2)
    coupling_db: float = 8.0


def one_valve(rng: np.random.Generator, count: int, draw: Draw, tag: str) -> tuple[list[Point], Point]:
    """Points of a valve, and one more whose rate is to be told from its level."""
    medium = MEDIA[str(rng.choice(GASES))]
    exponent, pressure = rng.uniform(*draw.exponent), rng.normal(0.0, draw.pressure)
    wander, coupling = rng.uniform(*draw.wander_db), rng.normal(60.0, draw.coupling_db)
    usual_bar = 10 ** rng.uniform(0.5, 1.8)
    middle = rng.uniform(-4.5, -1.5)
    made = []
    for i in range(count + 1):
        bar = usual_bar * rng.uniform(0.8, 1.25) + 1.0
        power = sound_power(medium, State(bar * 1e5, 1.01e5, 293.15))
        assert power is not None
        log_rate = middle + rng.normal(0.0, 0.45)
        level = 10.0 / exponent * log_rate + power.level_db * (1 + pressure) + coupling
        heard = level + rng.normal(0.0, wander)
        stated = 0.0 if i == count else rng.choice([0.02, 0.04, 0.06])
        measured = log_rate + rng.normal(0.0, stated * rng.uniform(0.7, 1.6)) if stated else log_rate
        made.append(Point(heard, power.level_db, measured, stated, tag))
    return made[:-1], made[-1]


def coverage(count: int, valves: int, seed: int, draw: Draw | None = None, similar: int = 0) -> float:
    """Share of valves whose 90 % interval holds the true rate."""
    rng = np.random.default_rng(seed)
    held = 0
    for _ in range(valves):
        points, wanted = one_valve(rng, count, draw or Draw(), "v")
        others = [p for k in range(similar) for p in one_valve(rng, 3, draw or Draw(), f"o{k}")[0]]
        found = fit(points, others, check=False)
        assert found is not None
        under = found.predict(wanted.level_db, wanted.power_db).below(wanted.log_rate)[0]
        held += 0.05 <= under <= 0.95
    return held / valves


def main() -> None:
    valves = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for name, draw in (
        ("as meant", Draw()),
        ("kind", Draw((0.9, 1.1), 0.1, (0.4, 1.2))),
        ("harsh", Draw((0.6, 1.4), 0.4, (1.0, 3.0))),
    ):
        row = [f"{100 * coverage(n, valves, 11, draw):5.1f}" for n in (1, 2, 3, 4, 5, 8)]
        beside = f"{100 * coverage(2, valves // 4, 12, draw, similar=4):5.1f}"
        print(f"{name:9s} points 1 2 3 4 5 8: {' '.join(row)} %; two beside four similar valves: {beside} %")


if __name__ == "__main__":
    main()
