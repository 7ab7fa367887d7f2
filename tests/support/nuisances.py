"""An invented plant in which every nuisance that a judgement has to tell from a leak occurs, each in a group
of its own, and which is put on record as the service would.

Times are hours of plant time. Until `LEARNED_H` the backgrounds are learned; `NOW_H` is when most of it
happens, `LATER_H` when pressure is back and repairs are proved, `END_H` the end. Levels, losses along the
pipe and cycles: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import numpy.typing as npt

from support.recorded import RecordedRig, recording
from support.rig import START_US, US, times

HOUR_S = 3600.0
LEARNED_H, SAVED_H, NOW_H, LATER_H, END_H = 2.2, 5.65, 5.75, 6.7, 7.2
REPAIRED_H = 6.0

SETTINGS = """\
name = "North works"
[store]
url = "sqlite:///data/hissmark.db"
[baseline]
learn_s = 7200
learn_windows = 5
[[condition]]
name = "compressor on"
when = "K-1 > 50"
groups = ["tagged"]
"""
GROUPS = {
    "tagged": 3, "learned": 4, "outside": 4, "oneend": 4, "open": 4, "stroke": 4, "trap": 3, "knock": 3,
    "day": 4, "slow": 4, "gap": 3, "press": 3, "two": 7, "second": 7, "fix": 4, "again": 4,
}  # fmt: skip
"""Valves of each group; ``XV-tagged-1`` is heard by ``AE-tagged-1``."""
CLOSED_WHEN = {"open": "ZT-open < 2", "stroke": "ZT-stroke < 2"}

Level = Callable[[npt.NDArray[np.float64]], npt.NDArray[np.float64]]
Levels = npt.NDArray[np.float64]


def register() -> str:
    """The register's text: the first valve of a group carries its tags."""
    rows = ["channel,kind,valve,group,position,joints,closed_when,upstream_pressure,downstream_pressure"]
    rows.append("RP-outside,reference,,outside,0,,,,")
    for group, count in GROUPS.items():
        for i in range(1, count + 1):
            closed = CLOSED_WHEN.get(group, "") if i == 1 else ""
            pressures = "PT-1,PT-2" if (group, i) == ("press", 1) else ","
            joints = "4" if group == "two" else ""
            rows.append(f"AE-{group}-{i},valve,XV-{group}-{i},{group},{i},{joints},{closed},{pressures}")
    return "\n".join(rows) + "\n"


def steps(*parts: tuple[float, float]) -> Level:
    """A level that changes at (hour, to so many dB)."""
    hours, values = zip(*parts, strict=True)
    return lambda t: np.array(values)[np.searchsorted(hours, t / HOUR_S, side="right") - 1]


def sum_db(*levels: float | Levels) -> Levels:
    """Powers add (incoherent sources)."""
    total: Levels = np.asarray(sum(10 ** (np.asarray(x) / 10) for x in levels))
    return np.asarray(10 * np.log10(total))


class _Plant:
    """What every channel hears without its sensor's noise, and every tag says."""

    def __init__(self) -> None:
        self.level: dict[str, Level] = {"RP-outside": steps((0, 22.0), (5, 45.0))}
        self.tag: dict[str, Level] = {}
        self._base = {
            f"AE-{group}-{i + 1}": 22.0 + (1.7 * i) % 4 for group, n in GROUPS.items() for i in range(n)
        }
        for name, base in self._base.items():
            self.level[name] = steps((0, base))
        self._operation()
        self._noise()
        self._sensors()
        self._leaks()

    def _along(self, group: str, loud_db: Callable[[int], float], *spans: tuple[float, float]) -> None:
        """Something adds `loud_db(i)` at the i-th valve (0 the first) within spans of hours."""
        for i in range(GROUPS[group]):
            name = f"AE-{group}-{i + 1}"
            self.level[name] = self._within(self.level[name], loud_db(i), spans)

    @staticmethod
    def _within(before: Level, loud_db: float, spans: tuple[tuple[float, float], ...]) -> Level:
        def level(t: Levels) -> Levels:
            on = np.zeros(len(t), bool)
            for start, end in spans:
                on |= (t >= start * HOUR_S) & (t < end * HOUR_S)
            return np.where(on, sum_db(before(t), loud_db), before(t))

        return level

    def _operation(self) -> None:
        """Operating conditions, one told by a tag and one not; a valve that opens, one that strokes."""
        on = ((2.0, 4.3), (5.2, END_H))
        self._along("tagged", lambda i: (24.0, 33.0, 28.0)[i], *on)
        self.tag["K-1"] = steps((0, 0.0), (2.0, 80.0), (4.3, 0.0), (5.2, 80.0))
        self._along("learned", lambda i: (24.5, 33.0, 27.5, 31.0)[i], (1.0, 2.0), (5.3, END_H))
        self._along("open", lambda i: 62.0 - 7 * i, (5.0, END_H))
        self.tag["ZT-open"] = steps((0, 0.5), (5.0, 80.0))
        self._along("stroke", lambda i: 62.0 - 7 * i, (5.2, 5.65))
        self.tag["ZT-stroke"] = steps((0, 0.5), (5.2, 80.0), (5.65, 0.5))

    def _noise(self) -> None:
        """From outside past a reference point, at one end, of a trap, of knocks, and the day's swing."""
        self._along("outside", lambda i: 43.0 - 2 * i, (5.0, END_H))
        self._along("oneend", lambda i: 44.0 - 2 * i, (5.0, END_H))
        cycles = tuple((5.0 + k / 12, 5.0 + k / 12 + 1 / 24) for k in range(36))
        self._along("trap", lambda i: (40.0, 34.0, 27.0)[i], *cycles)
        rng = np.random.default_rng(3)
        knocks = rng.random(int(END_H * HOUR_S)) < 0.3
        for i in range(1, 4):
            quiet = self.level[f"AE-knock-{i}"]
            self.level[f"AE-knock-{i}"] = lambda t, quiet=quiet: (
                quiet(t) + np.where((t >= 5 * HOUR_S) & knocks[t.astype(int)], 7.0, 0.0)
            )
        for i in range(1, 5):
            still = self.level[f"AE-day-{i}"]
            self.level[f"AE-day-{i}"] = lambda t, still=still: (
                still(t) + 3.6 * np.sin(np.clip((t / HOUR_S - 3) / 4, 0, 1) * np.pi / 2)
            )

    def _sensors(self) -> None:
        """One that drifts slowly, and one whose radio is silent for an hour (see `samples`)."""
        still = self.level["AE-slow-2"]
        self.level["AE-slow-2"] = lambda t: still(t) + 4 * np.clip((t / HOUR_S - 3) / 4, 0, 1)

    def _leaks(self) -> None:
        """Under a pressure difference that goes and comes back; two at once; a second one; one repaired; one
        that came and went twice before."""
        self._along("press", lambda i: (48.0, 36.0, 30.0)[i], (4.0, 5.5), (6.4, END_H))
        self.tag |= {"PT-1": steps((0, 40.0)), "PT-2": steps((0, 5.0), (5.5, 39.6), (6.4, 5.0))}
        for at in (1, 5):
            self._along("two", lambda i, at=at: 55.0 - 12 * abs(i - at), (5.0, END_H))
        self._along("second", lambda i: 58.0 - 9 * abs(i - 1), (4.0, END_H))
        self._along("second", lambda i: 52.0 - 9 * abs(i - 5), (6.0, END_H))
        self._along("fix", lambda i: 52.0 - 7 * abs(i - 1), (4.0, REPAIRED_H))
        self._along("again", lambda i: 40.0 - 7 * abs(i - 1), (2.6, 3.2), (3.7, 4.3), (5.0, END_H))

    def samples(self, name: str, start_s: float, end_s: float) -> Levels:
        """When a channel is heard: every 10 s, but for its radio's gap."""
        t = times(start_s, end_s, 10.0)
        return t[(t < 5 * HOUR_S) | (t >= 6 * HOUR_S)] if name == "AE-gap-2" else t


def _run(rig: RecordedRig, plant: _Plant, until_h: float) -> None:
    samples, start, end = rig.samples(), rig.now_s, until_h * HOUR_S
    for name, level in plant.level.items():
        t = plant.samples(name, start, end)
        samples.add(name, t, level(t) + rig.rng.normal(0.0, rig.noise_db, len(t)))
    for tag, value in plant.tag.items():
        t = times(start, end, 60.0)
        samples.add(tag, t, value(t))
    rig.feed(samples.batch())
    rig.now_s = end


@contextmanager
def plant_of_nuisances(folder: Path) -> Iterator[RecordedRig]:
    """The plant after `END_H`; the engine's state was saved at `SAVED_H`."""
    folder.mkdir(parents=True)
    (folder / "site.toml").write_text(SETTINGS, "utf-8")
    (folder / "register.csv").write_text(register(), "utf-8")
    plant = _Plant()
    with recording(folder) as rig:
        _run(rig, plant, SAVED_H)
        rig.save()
        _run(rig, plant, END_H)
        yield rig


def at_us(hour: float) -> int:
    return START_US + round(hour * HOUR_S * US)
