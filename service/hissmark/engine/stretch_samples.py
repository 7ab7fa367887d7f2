"""The samples of many ticks at once, and what the intake would know after each of them."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from hissmark.engine.intake import IDLE_S, NEVER, US, Intake
from hissmark.engine.stored import StoredTicks

I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]
Array = npt.NDArray[Any]


class Samples(NamedTuple):
    """Samples of a stretch, sorted by input, then time; arrays over samples.

    Attributes:
        tick: int64, number of the tick from the first on. runs: int64[r], where each (input, tick) begins;
        ends: int64[r], its last sample.
    """

    tick: I64
    input: npt.NDArray[np.int32]
    time_us: I64
    value: npt.NDArray[np.float64]
    runs: I64
    ends: I64

    def only(self, rows: Bools) -> Samples:
        """Some of them, without their runs."""
        none = self.runs[:0]
        return Samples(self.tick[rows], self.input[rows], self.time_us[rows], self.value[rows], none, none)

    def latest(self, ticks: int, inputs: int) -> I64:
        """int64[ticks, inputs]: the newest run of each input up to each tick, -1 where there is none."""
        found = np.full((ticks, inputs), -1, np.int64)
        found[self.tick[self.runs], self.input[self.runs]] = np.arange(len(self.runs))
        return np.asarray(np.maximum.accumulate(found, axis=0))


class Heard(NamedTuple):
    """What the intake knows after each tick; int64[ticks, inputs], `data_us` and `heard` likewise."""

    judged_us: I64
    interval_us: I64
    heard: I64
    data_us: I64


def samples_of(ticks: StoredTicks, at_us: int, count: int) -> Samples:
    """The samples of `count` ticks from that at `at_us` on; they go on waiting."""
    step_us, known = ticks.step_us, len(ticks.layout.input_series)
    inputs, time_us, value = ticks.columns(at_us + (count - 1) * step_us)
    tick = np.maximum((time_us - at_us) // step_us + 1, 0)
    order = np.argsort(inputs.astype(np.uint16) if known < 1 << 16 else inputs, kind="stable")
    tick, inputs, time_us, value = tick[order], inputs[order], time_us[order], value[order]
    begins = np.ones(len(tick), bool)
    begins[1:] = (tick[1:] != tick[:-1]) | (inputs[1:] != inputs[:-1])
    runs = np.flatnonzero(begins).astype(np.int64)
    ends = np.append(runs[1:], len(tick))[: len(runs)] - 1
    return Samples(tick, inputs, time_us, value, runs, ends)


def heard_after(samples: Samples, intake: Intake, ticks: int) -> Heard:
    """What closing each of `ticks` ticks would leave in the intake."""
    inputs = len(intake.judged_us)
    last = samples.time_us[samples.ends]
    interval = _intervals(samples, intake)
    latest = samples.latest(ticks, inputs)
    at = samples.tick[samples.runs], samples.input[samples.runs]
    added = np.zeros((ticks, inputs), np.int64)
    added[at] = samples.ends - samples.runs + 1
    newest = np.full(ticks, np.iinfo(np.int64).min, np.int64)
    np.maximum.at(newest, at[0], last)
    return Heard(
        picked(last, latest, intake.judged_us),
        picked(interval, latest, intake.interval_us),
        intake.heard + np.cumsum(added, axis=0),
        np.maximum(np.maximum.accumulate(newest), intake.data_us[0]),
    )


def picked(values: Array, latest: I64, otherwise: Array) -> Array:
    """`values` of the newest run of each input, [ticks, inputs]; `otherwise` ([inputs]) before the first."""
    if not len(values):
        return np.broadcast_to(otherwise, latest.shape).copy()
    return np.where(latest < 0, otherwise, values[np.maximum(latest, 0)])


def _intervals(samples: Samples, intake: Intake) -> I64:
    """Interval of its input after each run, int64[runs]: what `Intake.close` learns, run by run."""
    inputs, last = samples.input[samples.runs], samples.time_us[samples.ends]
    count = samples.ends - samples.runs + 1
    span = last - samples.time_us[samples.runs]
    gap = np.where(count > 1, span // np.maximum(count - 1, 1), 0)
    steady = _steady(samples, intake, inputs, last, count)
    if steady is not None:
        return steady
    judged, interval = intake.judged_us.tolist(), intake.interval_us.tolist()
    found = []
    rows = zip(inputs.tolist(), last.tolist(), count.tolist(), gap.tolist(), strict=True)
    for i, at, n, within in rows:
        since = (at - judged[i]) // n if judged[i] > NEVER else within
        judged[i] = at
        old = interval[i]
        if since > 0 and since != old:
            bounded = min(max(since, old // 2), old * 2)
            interval[i] = old + (bounded - old) // 5 if old > 0 else since
        found.append(interval[i])
    return np.array(found, np.int64)


def _steady(
    samples: Samples, intake: Intake, inputs: npt.NDArray[np.int32], last: I64, count: I64
) -> I64 | None:
    """The intervals if none of them changes, which is usual; None if one does."""
    before = np.append(0, last[:-1])[: len(last)]
    begins = np.flatnonzero(np.append(True, inputs[1:] != inputs[:-1])[: len(inputs)])
    before[begins] = intake.judged_us[inputs[begins]]
    interval = intake.interval_us[inputs]
    since = (last - before) // count
    if (before > NEVER).all() and ((since <= 0) | (since == interval)).all():
        return np.asarray(interval, np.int64)
    return None


def before_idle(data_us: I64, intake: Intake, at_us: int, step_us: int, count: int) -> int:
    """How many of the ticks follow each other without the group falling idle."""
    before = np.concatenate(([intake.data_us[0]], data_us[: count - 1]))
    at = at_us + np.arange(count, dtype=np.int64) * step_us
    idle = at - before > IDLE_S * US
    idle[0] = False
    return int(idle.argmax()) if idle.any() else count
