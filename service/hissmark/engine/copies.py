"""One group many times over: a layout of copies, and states copied into them and back.

Everything of the computation runs over arrays of channels and groups, and groups never look at each other. So
a group under many settings, or at many moments, is the same computation over as many copies of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.engine.snapshot import parts_of
from hissmark.engine.step import Stepper

Array = npt.NDArray[Any]
Ints = npt.NDArray[np.intp]

SEPARATOR = "\x1f"
"""Between a group's name and the number of its copy; no register may hold it."""


def one_group(layout: Layout, group: str) -> Layout:
    """The layout of a single group of a site."""
    return Layout.of(Register(layout.register.groups[group]), layout.settings)


def copied(layout: Layout, count: int) -> Layout:
    """`count` copies of a layout of one group: copy k has the k-th stretch of channels and of inputs."""
    c, i = len(layout.channels), len(layout.input_series)
    copy = np.arange(count, dtype=np.int32)
    names = tuple(f"{layout.group_names[0]}{SEPARATOR}{k}" for k in range(count))
    channels = tuple(replace(channel, group=n) for n in names for channel in layout.channels)
    own = np.tile(layout.input_channel, count)
    everywhere = frozenset(range(count))
    return Layout(
        Register(channels), layout.settings, layout.names, names,
        np.repeat(copy, c), copy * c, np.full(count, c, np.int32),
        np.tile(layout.input_series, count), np.repeat(copy, i), np.tile(layout.input_role, count),
        np.where(own >= 0, own + np.repeat(copy * c, i), -1).astype(np.int32),
        tuple((condition, everywhere if members else members) for condition, members in layout.conditions),
        tuple(
            (rule, condition, frozenset(k * c + x for k in range(count) for x in covered))
            for rule, condition, covered in layout.suppress
        ),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Slot:
    """One state array of a stepper: where it is, and what it runs over."""

    key: str
    holder: Any
    name: str
    axis: str

    @property
    def array(self) -> Array:
        return np.asarray(getattr(self.holder, self.name))

    def by_copy(self, size: dict[str, int]) -> Array:
        """The array with copies along the first axis: [copies, size, ...]; a view where it can be."""
        array = self.array
        if self.axis == "alarm":
            array = np.swapaxes(array, 0, 1)
        return array.reshape(-1, size[self.axis], *array.shape[1:])

    def put(self, by_copy: Array) -> None:
        """Write what `by_copy` has; one copy is written to all."""
        target = self.array
        if self.axis == "alarm":
            target = np.swapaxes(target, 0, 1)
        copies = len(target) // by_copy.shape[1]
        whole = np.broadcast_to(by_copy, (copies, *by_copy.shape[1:]))
        target[...] = whole.reshape(target.shape)


def slots_of(stepper: Stepper, without: frozenset[str] = frozenset()) -> Iterator[Slot]:
    """Every state array but those whose part (``health``) or key (``baseline.ring``) is in `without`."""
    for prefix, holder, names, axis in parts_of(stepper):
        for name in names:
            if prefix not in without and f"{prefix}.{name}" not in without:
                yield Slot(f"{prefix}.{name}", holder, name, axis)


def sizes_of(layout: Layout) -> dict[str, int]:
    """How many rows of each axis belong to one copy, given the layout of one group."""
    channels = len(layout.channels)
    return {
        "channel": channels, "alarm": channels, "input": len(layout.input_series),
        "group": 1, "members": 1, "pipework": 1,
    }  # fmt: skip


def copy_state(source: Stepper, target: Stepper) -> None:
    """Make `target` (of the same layout) what `source` is."""
    for have, want in zip(slots_of(source), slots_of(target), strict=True):
        want.array[...] = have.array
    target.acoustics.refresh(np.arange(len(target.layout.group_names)))
    target.alarms.last = dict(source.alarms.last)
    for level, values in source.tuned.overrides.items():
        target.tuned.overrides[level][...] = values
    target.tuned.resolve()
    target.retune()


def same_state(one: Stepper, other: Stepper, without: frozenset[str]) -> bool:
    """Whether two steppers of the same layout are in the same state, some parts aside."""
    pairs = zip(slots_of(one, without), slots_of(other, without), strict=True)
    return all(equal(a.array, b.array) for a, b in pairs)


def equal(one: Array, other: Array) -> bool:
    """Same to the last bit; nothing known (NaN) equals nothing known."""
    return bool(np.array_equal(one, other, equal_nan=one.dtype.kind == "f"))
