"""What is known of every learned baseline, channel by channel and operating condition by condition."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hissmark.engine.engine import Engine


@dataclass(frozen=True, slots=True)
class Baseline:
    """The baseline of one channel in one operating condition. Levels in dB, None where not learned yet.

    Attributes:
        subject: the valve's tag, or the name of a reference point.
        condition: number of the operating condition. condition_name: what it is called.
        present: whether the group is in this condition now.
        anchor_db: what it was learned or approved at; it may drift only so far from there.
        floors: windows that it was learned from or that it followed. since_us: the first of them, 0 if none.
        needs: windows that are needed before it counts as learned.
        usual_spread_db: how far a window's levels usually lie apart (L10 - L90); last_us: newest sample used.
    """

    channel: str
    subject: str
    group: str
    condition: int
    condition_name: str
    present: bool
    learned: bool
    approved: bool
    held: bool
    value_db: float | None
    scale_db: float | None
    anchor_db: float | None
    floors: int
    needs: int
    since_us: int
    last_us: int
    usual_spread_db: float | None

    @property
    def state(self) -> str:
        """``learning``, ``held`` (by hand), ``approved`` or ``tracking``."""
        if not self.learned:
            return "learning"
        return "held" if self.held else "approved" if self.approved else "tracking"

    @property
    def moved_db(self) -> float | None:
        """How far it has moved since it was learned or approved."""
        if self.value_db is None or self.anchor_db is None:
            return None
        return round(self.value_db - self.anchor_db, 2)


def baselines_of(engine: Engine) -> list[Baseline]:
    """Every baseline in register order, then by condition, without conditions not met yet."""
    layout, state = engine.layout, engine.stepper
    found = []
    for c in range(len(layout.channels)):
        group = int(layout.group_of[c])
        for condition in range(_conditions(engine, group)):
            heard = state.baselines.entries[c, condition] > 0 or state.baselines.learned[c, condition]
            if heard or condition == int(state.mode[group]):
                found.append(_baseline(engine, c, condition))
    return found


def baselines_of_channel(engine: Engine, channel: int) -> list[Baseline]:
    """Those of one channel that are learned."""
    group = int(engine.layout.group_of[channel])
    every = [_baseline(engine, channel, k) for k in range(_conditions(engine, group))]
    return [b for b in every if b.learned]


def _conditions(engine: Engine, group: int) -> int:
    """How many operating conditions a group has: those that tags name, those found in its levels."""
    return engine.stepper.baselines.count(group, bool(engine.stepper.free[group]))


def condition_name(engine: Engine, group: int, condition: int) -> str:
    """What an operating condition is called: by the site's rules, or by its number."""
    if condition == 0:
        return "ordinary"
    if engine.stepper.free[group]:
        return f"state {condition + 1}"
    rules = engine.layout.settings.conditions
    if condition <= len(rules):
        return rules[condition - 1].name
    named = int(engine.stepper.baselines.found_in[group, condition])
    return f"{condition_name(engine, group, max(named, 0))}, state {condition - len(rules) + 1}"


def _baseline(engine: Engine, c: int, k: int) -> Baseline:
    layout, state = engine.layout, engine.stepper
    bank, channel, group = state.baselines, layout.channels[c], int(layout.group_of[c])
    return Baseline(
        channel.name, channel.subject, channel.group, k, condition_name(engine, group, k),
        int(state.mode[group]) == k, bool(bank.learned[c, k]), bool(bank.approved[c, k]),
        bool(bank.held[c, k]), _known(bank.value[c, k]), _known(bank.scale[c, k]), _known(bank.anchor[c, k]),
        int(bank.entries[c, k]), bank.settings.learn_windows, int(bank.since_us[c, k]),
        int(bank.taken_us[c]), _known(bank.usual_spread[c]),
    )  # fmt: skip


def _known(value: np.float32) -> float | None:
    return round(float(value), 3) if np.isfinite(value) else None
