"""Suppression by design: rules over process tags that keep alarms from being annunciated while they hold."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import KINDS
from hissmark.engine.conditions import OPERATORS, ProcessValues, holds
from hissmark.engine.layout import Layout


@dataclass(frozen=True)
class Suppression:
    """The rules of a site, wired to the inputs of each group.

    Attributes:
        input: int32[rules, groups] input of the rule's tag as that group hears it, -1 where it has no part.
        op: int8[rules], index into `OPERATORS`. limit: float64[rules].
        covers: bool[rules, kinds, channels]. group_of: int32[channels].
        texts: what an operator is told of each rule.
    """

    input: npt.NDArray[np.int32]
    op: npt.NDArray[np.int8]
    limit: npt.NDArray[np.float64]
    covers: npt.NDArray[np.bool_]
    group_of: npt.NDArray[np.int32]
    texts: tuple[str, ...]

    @classmethod
    def of(cls, layout: Layout) -> Suppression:
        rules, groups = layout.suppress, len(layout.group_names)
        inputs = np.full((len(rules), groups), -1, np.int32)
        covers = np.zeros((len(rules), len(KINDS), len(layout.channels)), bool)
        for r, (rule, condition, channels) in enumerate(rules):
            members = np.array(sorted(channels), np.intp)
            for g in {int(layout.group_of[c]) for c in members}:
                inputs[r, g] = layout.input_of_tag(condition.tag, g)
            for kind in rule.alarms:
                covers[r, [k.value for k in KINDS].index(kind), members] = True
        return cls(
            inputs,
            np.array([OPERATORS.index(c.op) for _, c, _ in rules], np.int8),
            np.array([c.limit for _, c, _ in rules], np.float64),
            covers,
            layout.group_of,
            tuple(f"{rule.name} ({rule.when.strip()})" for rule, _, _ in rules),
        )

    def holding(self, values: ProcessValues) -> npt.NDArray[np.bool_]:
        """bool[rules, groups]: which rules hold. The last value heard counts, one never heard never holds."""
        if not self.input.size:
            return np.zeros(self.input.shape, bool)
        now = np.where(self.input >= 0, values.value[np.maximum(self.input, 0)], np.nan)
        op = np.broadcast_to(self.op[:, None], now.shape)
        return holds(op, now, np.broadcast_to(self.limit[:, None], now.shape))

    def held_by(self, values: ProcessValues) -> npt.NDArray[np.int16]:
        """int16[kinds, channels]: the first rule that holds back each alarm, -1 where none does."""
        shape = self.covers.shape[1:]
        if not len(self.texts):
            return np.full(shape, -1, np.int16)
        held = self.covers & self.holding(values)[:, self.group_of][:, None, :]
        return np.where(held.any(axis=0), held.argmax(axis=0), -1).astype(np.int16)
