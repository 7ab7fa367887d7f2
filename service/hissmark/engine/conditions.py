"""Process values of each valve: is it closed, just stroked, under pressure difference?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.engine.layout import Layout

F64 = npt.NDArray[np.float64]
I32 = npt.NDArray[np.int32]
Bools = npt.NDArray[np.bool_]

OPERATORS = ("<", "<=", ">", ">=", "==", "!=")


def holds(op: npt.NDArray[np.int8], value: F64, limit: F64) -> Bools:
    """Elementwise comparison by operator code (index into `OPERATORS`); NaN never holds."""
    with np.errstate(invalid="ignore"):
        below, same = value < limit, value == limit
        known = ~np.isnan(value)
    choices = [below, below | same, ~(below | same), ~below, same, ~same]
    return np.asarray(np.choose(op, choices) & known, bool)


@dataclass(frozen=True)
class Wiring:
    """Which inputs tell about each channel; -1 where there is none."""

    closed_input: I32
    closed_op: npt.NDArray[np.int8]
    closed_limit: F64
    upstream: I32
    downstream: I32
    condition_input: I32
    condition_op: npt.NDArray[np.int8]
    condition_limit: F64

    @classmethod
    def of(cls, layout: Layout) -> Wiring:
        channels = layout.channels
        index = {
            (int(layout.input_series[i]), int(layout.input_group[i])): i
            for i in np.flatnonzero(layout.input_channel < 0).tolist()
        }
        series = layout.series_index()

        def place(tag: str | None, group: int) -> int:
            return index.get((series[tag], group), -1) if tag else -1

        groups = layout.group_of.tolist()
        closed = [
            place(c.closed_when.tag if c.closed_when else None, g)
            for c, g in zip(channels, groups, strict=True)
        ]
        ops = [OPERATORS.index(c.closed_when.op) if c.closed_when else 0 for c in channels]
        limits = [c.closed_when.limit if c.closed_when else 0.0 for c in channels]
        upstream = [place(c.upstream_pressure, g) for c, g in zip(channels, groups, strict=True)]
        downstream = [place(c.downstream_pressure, g) for c, g in zip(channels, groups, strict=True)]
        conditions = layout.conditions
        table = [
            [place(rule.tag, g) if g in members else -1 for rule, members in conditions]
            for g in range(len(layout.group_names))
        ]
        return cls(
            np.array(closed, np.int32), np.array(ops, np.int8), np.array(limits, np.float64),
            np.array(upstream, np.int32), np.array(downstream, np.int32),
            np.array(table, np.int32).reshape(len(table), len(conditions)),
            np.array([OPERATORS.index(rule.op) for rule, _ in conditions], np.int8),
            np.array([rule.limit for rule, _ in conditions], np.float64),
        )  # fmt: skip


class ProcessValues:
    """Last value of every process input and its extremes within the tick."""

    def __init__(self, inputs: int) -> None:
        self.value: F64 = np.full(inputs, np.nan)
        self.low: F64 = np.full(inputs, np.nan)
        self.high: F64 = np.full(inputs, np.nan)

    def take(self, inputs: I32, value: F64, on: Bools) -> None:
        """Take one tick's samples, sorted by input and time. `on`: inputs whose group ticks."""
        self.low = np.where(on, self.value, self.low)
        self.high = np.where(on, self.value, self.high)
        if not len(inputs):
            return
        starts = np.flatnonzero(np.concatenate(([True], inputs[1:] != inputs[:-1])))
        ends = np.concatenate((starts[1:], [len(inputs)])) - 1
        which = inputs[starts]
        self.low[which] = np.fmin(self.low[which], np.minimum.reduceat(value, starts))
        self.high[which] = np.fmax(self.high[which], np.maximum.reduceat(value, starts))
        self.value[which] = value[ends]


@dataclass(frozen=True, slots=True)
class TestConditions:
    """Arrays over channels: may the valve be judged, and if not why.

    Attributes:
        open_: bool, open now. stroked: bool, was open at some moment of this tick.
        position_unknown, pressure_unknown: bool, tags named in the register but never heard.
        difference_bar: float64, NaN without both pressures. low_difference: bool.
        operating: int[groups] operating condition given by tags (0: none of the rules holds).
    """

    open_: Bools
    stroked: Bools
    position_unknown: Bools
    pressure_unknown: Bools
    difference_bar: F64
    low_difference: Bools
    operating: npt.NDArray[np.intp]


def assess(
    wiring: Wiring, values: ProcessValues, min_difference_bar: npt.NDArray[np.float32]
) -> TestConditions:
    """Work out the test conditions from the process values at the end of a tick.

    `min_difference_bar`: float32[channels], below which a valve cannot be tested.
    """

    def read(array: F64, index: I32) -> F64:
        if not len(array):
            return np.full(index.shape, np.nan)
        return np.asarray(np.where(index >= 0, array[np.maximum(index, 0)], np.nan))

    has_position = wiring.closed_input >= 0
    at = np.flatnonzero(has_position)
    of = wiring.closed_input[at]
    open_, stroked, unknown = (np.zeros(len(has_position), bool) for _ in range(3))
    if len(at):
        op, limit = wiring.closed_op[at], wiring.closed_limit[at]
        closed = [holds(op, array[of], limit) for array in (values.value, values.low, values.high)]
        silent = np.isnan(values.value[of])
        unknown[at] = silent
        open_[at] = ~silent & ~closed[0]
        stroked[at] = ~silent & ~(closed[0] & closed[1] & closed[2])
    up, down = read(values.value, wiring.upstream), read(values.value, wiring.downstream)
    has_pressure = (wiring.upstream >= 0) & (wiring.downstream >= 0)
    difference = np.abs(up - down)
    pressure_unknown = has_pressure & np.isnan(difference)
    with np.errstate(invalid="ignore"):
        low_difference = has_pressure & ~pressure_unknown & (difference < min_difference_bar)
    return TestConditions(
        open_, stroked, unknown, pressure_unknown, np.where(has_pressure, difference, np.nan), low_difference,
        _operating(wiring, values, read(values.value, wiring.condition_input)),
    )  # fmt: skip


def _operating(wiring: Wiring, values: ProcessValues, now: F64) -> npt.NDArray[np.intp]:
    """1 + the first rule that holds in each group; 0 where none does."""
    if now.shape[1] == 0:
        return np.zeros(now.shape[0], np.intp)
    op = np.broadcast_to(wiring.condition_op, now.shape)
    limit = np.broadcast_to(wiring.condition_limit, now.shape)
    true = holds(op, now, limit)
    return np.where(true.any(axis=1), true.argmax(axis=1) + 1, 0)
