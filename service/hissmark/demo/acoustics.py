"""What the sensors of one stretch of pipework hear: powers of the background and of every source, added.

L = 10 lg(sum of 10^(Li/10)). A source reaches a sensor with the loss along the pipe between them (metres and
flanged joints); each sensor couples a little better or worse than the next, which shifts all it hears.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from hissmark.demo.noise import F64, I64, normal, one_normal, one_uniform, stream, uniform, wander
from hissmark.demo.story import Leak, S, Story
from hissmark.demo.works import COMPRESSOR, PUMP, STEAM, STROKING_VALVE, TRAP_AT_M, Stretch
from hissmark.signal.levels import add_levels

DAY_S = 86_400.0
KNOCK_SLOT_S = 240
TRAP_DB = 40.0
OPEN_VALVE_DB = 62.0


class Acoustics:
    """One stretch with its own losses, couplings and noises, all drawn from the seed.

    Attributes:
        loss_db: float64[fittings, fittings], transmission loss between two sensors.
        coupling_db: float64[fittings], how much better than usual each sensor couples.
    """

    def __init__(self, stretch: Stretch, story: Story, seed: int) -> None:
        self.stretch = stretch
        self.story = story
        self.seed = seed
        count = len(stretch.fittings)
        self._metres = np.array(stretch.metres)
        self._joints = np.array(stretch.joints)
        self._per_m = 0.24 + 0.12 * one_uniform(self._key("loss per metre"))
        self._per_joint = 2.5 + 1.0 * one_uniform(self._key("loss per joint"))
        self.loss_db = self._loss(self._metres, self._joints)
        self.coupling_db = np.array([1.2 * one_normal(self._key("coupling", i)) for i in range(count)])
        self._base_db = stretch.background_db + np.array(
            [1.5 * one_normal(self._key("background", i)) for i in range(count)]
        )
        self._running_db = stretch.running_db * np.array(
            [0.8 + 0.4 * one_uniform(self._key("running", i)) for i in range(count)]
        )
        self._leaks = [leak for leak in story.leaks if leak.valve in stretch.place_of]

    def level_db(self, place: int, t_us: I64) -> F64:
        """Levels that the sensor at fitting `place` reports at times `t_us`; float64, same length."""
        sources = [self.coupling_db[place] + heard for heard in self._sources(place, t_us)]
        return np.asarray(add_levels([self.background_db(place, t_us), *sources], axis=0), np.float64)

    def background_db(self, place: int, t_us: I64) -> F64:
        """The level with nothing but the plant's ordinary noise (the sensor's coupling is in it)."""
        t_s = t_us / S
        day = 0.5 * np.sin(2 * np.pi * (t_s / DAY_S + one_uniform(self._key("day"))))
        slow = 0.45 * wander(self._key("slow", place), t_s, 2400.0)
        shared = 0.3 * wander(self._key("shared"), t_s, 3600.0)
        quick = 0.5 * wander(self._key("quick", place), t_s, 15.0)
        white = 0.5 * normal(self._key("white", place), t_us // 1000)
        return np.asarray(self._usual_db(place, t_us) + day + shared + slow + quick + white, np.float64)

    def _usual_db(self, place: int, t_us: I64) -> F64:
        """Mean background in the operating condition that holds at each time."""
        cycles = {COMPRESSOR: self.story.compressor, PUMP: self.story.pump}
        base = float(self._base_db[place])
        if self.stretch.condition is None:
            return np.full(len(t_us), base)
        running = cycles[self.stretch.condition].on(t_us)
        return np.asarray(base + self._running_db[place] * running, np.float64)

    def _sources(self, place: int, t_us: I64) -> Iterator[F64]:
        """Level of every source at the sensor, before coupling; -inf while it is silent."""
        for leak in self._leaks:
            if len(t_us) and leak.start_us <= t_us[-1] and leak.end_us > t_us[0]:
                yield self._leak_db(leak, place, t_us)
        if STROKING_VALVE in self.stretch.place_of:
            at = self.stretch.place_of[STROKING_VALVE]
            yield np.where(self.story.stroke.on(t_us), OPEN_VALVE_DB - self.loss_db[at, place], -np.inf)
        if self.stretch is STEAM:
            loss = abs(self._metres[place] - TRAP_AT_M) * self._per_m + self._per_joint
            yield np.where(self.story.trap.on(t_us), TRAP_DB - loss, -np.inf)
        yield self._knocks_db(place, t_us)

    def _leak_db(self, leak: Leak, place: int, t_us: I64) -> F64:
        """A leak hisses without pause and hardly varies (0.4 dB)."""
        at = self.stretch.place_of[leak.valve]
        hiss = 0.4 * wander(self._key("hiss", at), t_us / S, 30.0)
        return np.asarray(self.leak_source_db(leak, t_us) + hiss - self.loss_db[at, place], np.float64)

    def leak_source_db(self, leak: Leak, t_us: I64) -> F64:
        """Mean level of the leak at its own valve, such that its own sensor hears `leak.rise_db`."""
        at = self.stretch.place_of[leak.valve]
        return np.asarray(self._base_db[at] - self.coupling_db[at] + leak.strength_db(t_us), np.float64)

    def _knocks_db(self, place: int, t_us: I64) -> F64:
        """A knock somewhere on the pipe now and then: loud, over within seconds."""
        slot, into_us = np.divmod(t_us, KNOCK_SLOT_S * S)
        slots, back = np.unique(slot, return_inverse=True)
        happens = uniform(self._key("knock"), slots) < 0.3
        start_s = uniform(self._key("knock start"), slots) * (KNOCK_SLOT_S - 6)
        lasts_s = 1.0 + 4.0 * uniform(self._key("knock length"), slots)
        where_m = uniform(self._key("knock place"), slots) * self._metres[-1]
        loud_db = 44.0 + 12.0 * uniform(self._key("knock level"), slots)
        heard_db = loud_db - np.abs(where_m - self._metres[place]) * (self._per_m + 0.3 * self._per_joint)
        into_s = into_us / S - start_s[back]
        sounding = happens[back] & (into_s >= 0) & (into_s < lasts_s[back])
        return np.asarray(np.where(sounding, heard_db[back], -np.inf), np.float64)

    def _loss(self, metres: npt.NDArray[np.float64], joints: npt.NDArray[np.float64]) -> F64:
        def apart(x: F64) -> F64:
            return np.abs(x[:, None] - x[None, :])

        return np.asarray(self._per_m * apart(metres) + self._per_joint * apart(joints), np.float64)

    def _key(self, what: str, place: int | None = None) -> int:
        return stream(self.seed, self.stretch.group, what, "" if place is None else str(place))
