"""A plant with a long past on record and a service that goes on from there, for the reliability team.

Five valves on one header. XV-1 leaks for a while. Now and then a drain is blown down that XV-5 hears: no
leak, but over the limit. Levels are invented.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.publish.times import parse_rfc3339
from support.broker import Broker
from support.publish import Gateway, Sent, json_value, senml_pack
from support.recorded import recording
from support.rig import START_US, US
from support.service import PROCESS, SENML, Service, until, write_site

Times = npt.NDArray[np.float64]
HOUR_S, DAY_S = 3600.0, 86_400.0
BACKGROUND_DB = {"AE-1": 24.0, "AE-2": 25.0, "AE-3": 26.0, "AE-4": 25.0, "AE-5": 24.0}
LEAK_DB = {"AE-1": 38.0, "AE-2": 32.0, "AE-3": 27.5}
"""XV-1 leaking, and its spill."""
BLOWDOWN_DB = {"AE-5": 31.6, "AE-4": 27.5, "AE-3": 28.6}
"""The drain beside XV-5 now, and in the past: a sound that keeps coming and going the same would be known."""
FORMER_BLOWDOWNS_DB = ({"AE-5": 31.6}, {"AE-5": 31.6, "AE-4": 29.8}, {"AE-5": 31.6, "AE-4": 27.5})
REGISTER = [
    {"channel": f"AE-{i}", "kind": "valve", "valve": f"XV-{i}", "group": "header", "position": i,
     "upstream_pressure": "PT-1", "downstream_pressure": "PT-2"}
    for i in range(1, 6)
]  # fmt: skip
BARS = {"PT-1": 32.0, "PT-2": 1.0}


@dataclass(frozen=True)
class Past:
    """How long, how often, and what happened: all in seconds from the beginning.

    Attributes:
        leaks: from, to. every_blowdown_s, blowdown_s: how often the drain is blown down, and for how long.
    """

    days: float
    every_s: float
    tick_s: int
    leaks: tuple[tuple[float, float], ...]
    every_blowdown_s: float
    blowdown_s: float = 5 * HOUR_S

    def level(self, channel: str, since_s: Times) -> Times:
        """The level of a channel, float64[n] dB, without its noise."""
        level = np.full(len(since_s), BACKGROUND_DB[channel])
        number, phase = np.divmod(since_s, self.every_blowdown_s)
        blown = (since_s > 1.5 * DAY_S) & (phase < self.blowdown_s)
        loud = [heard.get(channel, BACKGROUND_DB[channel]) for heard in FORMER_BLOWDOWNS_DB]
        level[blown] = np.array(loud)[number[blown].astype(np.intp) % len(loud)]
        for start, end in self.leaks:
            level[(since_s >= start) & (since_s < end)] = LEAK_DB.get(channel, BACKGROUND_DB[channel])
        return level

    @property
    def tables(self) -> dict[str, dict[str, object]]:
        signal: dict[str, object] = {"tick_s": self.tick_s, "stale_s": 3 * self.tick_s}
        learning: dict[str, object] = {"learn_s": int(6 * HOUR_S), "learn_windows": 10}
        return {"signal": signal, "baseline": learning, "repair": {"hold_s": 1800}}


WEEK = Past(6.0, 150.0, 300, ((2.6 * DAY_S, 3.4 * DAY_S),), 1.0 * DAY_S)
YEAR = Past(365.0, 600.0, 600, ((90 * DAY_S, 97 * DAY_S), (200 * DAY_S, 204 * DAY_S)), 9.0 * DAY_S)


def begin_us(past: Past, hours_left: float = 24.0) -> int:
    """The beginning, so that the past ends some hours before now: on a full tick."""
    tick_us = past.tick_s * US
    return int(time.time() * 1e6 - (past.days * DAY_S + hours_left * HOUR_S) * 1e6) // tick_us * tick_us


@dataclass
class Plant:
    """The site, its service when it runs, and how far its time has come."""

    past: Past
    folder: Path
    broker: Broker
    began_us: int
    service: Service | None = None

    def __post_init__(self) -> None:
        self.now_s = self.past.days * DAY_S

    @property
    def now_us(self) -> int:
        return self.began_us + int(self.now_s * US)

    def lay_out(self) -> None:
        """The site folder; what is on record in it stays."""
        write_site(self.folder, self.broker, REGISTER, sources=[SENML, PROCESS], tables=self.past.tables)

    def fill(self) -> None:
        """The past, judged and put on record as the service would have."""
        self.lay_out()
        offset_s = (self.began_us - START_US) / US
        with recording(self.folder) as rig:
            rig.now_s = offset_s
            levels = {name: self._level(name, offset_s) for name in BACKGROUND_DB}
            rig.run(self.past.days * DAY_S, levels, BARS, self.past.every_s, process_every_s=600.0)
            with rig.writer.transaction() as tx:
                tx.journal(rig.journal)
            rig.save()

    def _level(self, channel: str, offset_s: float) -> Callable[[Times], Times]:
        return lambda t: self.past.level(channel, t - offset_s)

    def start(self) -> Service:
        """`hissmark run`, going on from the past."""
        self.service = Service(self.folder).start()
        self._gateway = Gateway(self.broker)
        return self.service

    def go_on(self, hours: float, scene: dict[str, float]) -> None:
        """Time goes on: `scene` is heard over the background, until its ticks have been judged."""
        end_s = self.now_s + hours * HOUR_S
        self._gateway.send(self._messages(end_s, BACKGROUND_DB | scene))
        self.now_s = end_s
        wanted_us = self.now_us - 2 * self.past.tick_s * US
        until(lambda: self.judged_us() >= wanted_us, f"ticks of {hours:g} h")

    def judged_us(self) -> int:
        at = self.get("/api/v1/groups/header")["at"]
        return parse_rfc3339(at) if at else 0

    def verdict(self, valve: str) -> str:
        return str(self.get(f"/api/v1/valves/{valve}")["valve"]["verdict"])

    def raised(self, valve: str) -> int:
        """How many times its passing alarm has been raised."""
        rows = self.get(f"/api/v1/alarms/journal?valve={valve}&event=raised&limit=1000")["entries"]
        return sum(row["alarm"] == "passing" for row in rows)

    def get(self, path: str) -> Any:
        assert self.service is not None
        return self.service.get(path)

    def _messages(self, end_s: float, levels: dict[str, float]) -> Iterator[Sent]:
        """A pack of all levels and both pressures at every sampling time up to `end_s`."""
        rng = np.random.default_rng(int(self.now_s))
        for since_s in np.arange(self.now_s, end_s, self.past.every_s):
            at_us = self.began_us + int(since_s * US)
            heard = {name: round(db + rng.normal(0.0, 0.4), 2) for name, db in levels.items()}
            yield "plant/north/levels", senml_pack([(n, at_us, db, "dB") for n, db in heard.items()])
            for tag, bar in BARS.items():
                yield f"plant/north/process/{tag}", json_value(bar, at_us)
