"""Settings to be tried, and what each of them has decided: one copy of the deciding part for each variant."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from hissmark.alarms.bank import ActionRefusedError, AlarmBank
from hissmark.alarms.journal import Action, JournalEntry
from hissmark.engine.change import Change, ChangeKind, Level
from hissmark.engine.copies import SEPARATOR, copied
from hissmark.engine.layout import Layout
from hissmark.engine.retested import Limits, mark
from hissmark.engine.step import Seen, Stepper
from hissmark.engine.tuned import NAMES

Array = npt.NDArray[Any]

DECIDING = frozenset(
    {
        "rise_limit_db", "margin_db", "odds_limit", "on_delay_s", "off_delay_s", "deadband_db",
        "fault_delay_s", "contested_delay_s", "clear_db", "severe_db",
    }
)  # fmt: skip
"""Settings that only `Stepper.decide` looks at. Variants that differ in others hear and learn apart."""
HEARING = tuple(name for name in NAMES if name not in DECIDING)
MOST_SENSITIVE = ("rise_limit_db", "margin_db", "odds_limit")
"""The lower, the more passes: what is quiet under the lowest of each is quiet under all variants."""


@dataclass(frozen=True, slots=True)
class Setting:
    """Values at one level; `subject` as in a `Change`."""

    level: Level
    subject: str
    values: Mapping[str, float]


Variant = tuple[Setting, ...]
"""What is different from the settings in force; empty for none."""
Told = tuple[int, JournalEntry]
"""Number of the variant, and what it journals."""


class Decisions:
    """What each variant has decided, and its settings. `stepper`: a copy of the group for each variant."""

    def __init__(self, layout: Layout, before: Stepper, variants: Sequence[Variant]) -> None:
        """`before`: what has been decided so far, under the settings in force."""
        self.layout, self.variants = layout, variants
        self._channels = len(layout.channels)
        self._in_force = {level: array.copy() for level, array in before.tuned.overrides.items()}
        self.stepper = Stepper(copied(layout, len(variants)))
        for v in range(len(variants)):
            self.begin_from(v, before)
        self._put_in_force()
        self.stepper.tuned.resolve()
        self.retune()

    def begin_from(self, variant: int, before: Stepper) -> None:
        """The variant goes on from what has been decided in a stepper of one group."""
        mine = slice(variant * self._channels, (variant + 1) * self._channels)
        self.stepper.passing[mine], self.stepper.retest[mine] = before.passing, before.retest
        for name in AlarmBank.STATE:
            getattr(self.stepper.alarms, name)[:, mine] = getattr(before.alarms, name)
        for name in before.trends.STATE:
            getattr(self.stepper.trends, name)[mine] = getattr(before.trends, name)
        for (kind, channel), entry in before.alarms.last.items():
            named = replace(entry, group=f"{entry.group}{SEPARATOR}{variant}")
            self.stepper.alarms.last[kind, mine.start + channel] = named

    def retune(self) -> None:
        """Every variant's settings: those in force, and its own on top; what stands is to meet them."""
        before, tuned, index = Limits.of(self.stepper), self.stepper.tuned, self._rows_by_subject()
        self._put_in_force()
        for v, variant in enumerate(self.variants):
            for setting in filter(self._is_here, variant):
                row = v if setting.level is not Level.VALVE else v * self._channels + index[setting.subject]
                for name, value in setting.values.items():
                    tuned.overrides[setting.level][row, NAMES.index(name)] = value
        tuned.resolve()
        self.stepper.retune()
        mark(self.stepper, before)

    def _put_in_force(self) -> None:
        for level, array in self.stepper.tuned.overrides.items():
            array[...] = np.concatenate([self._in_force[level]] * len(self.variants))

    def _is_here(self, setting: Setting) -> bool:
        """Whether it is of the site, of this group or of one of its valves."""
        match setting.level:
            case Level.VALVE:
                return setting.subject in self._rows_by_subject()
            case Level.GROUP:
                return setting.subject == self.layout.group_names[0]
            case _:
                return True

    def take(self, change: Change) -> None:
        """A recorded change of settings has come into force; see `retune`."""
        if change.kind is not ChangeKind.SETTINGS:
            return
        level = Level(change.payload["level"])
        row = self._rows_by_subject()[change.subject] if level is Level.VALVE else 0
        for name, value in change.payload["values"].items():
            if name in NAMES:
                self._in_force[level][row, NAMES.index(name)] = np.nan if value is None else value

    def heard_by(self) -> Array:
        """What hearing and learning depend on: float[variants, settings, channels]."""
        tuned = self.stepper.tuned
        return np.stack([getattr(tuned, n).reshape(-1, self._channels) for n in HEARING], axis=1)

    def overrides_of(self, variant: int) -> dict[Level, Array]:
        """Settings at their levels by which to hear for a variant, and to decide so that every variant that
        would find something finds something."""
        tuned, found = self.stepper.tuned, {}
        for level, array in tuned.overrides.items():
            each = len(array) // len(self.variants)
            found[level] = array[variant * each : (variant + 1) * each].copy()
        for name in MOST_SENSITIVE:
            lowest = getattr(tuned, name).reshape(-1, self._channels).min(axis=0)
            found[Level.VALVE][:, NAMES.index(name)] = lowest
        return found

    def decide(self, seen: Seen) -> Iterator[Told]:
        """Let every variant decide on what was laid out for it."""
        return map(self._named, self.stepper.decide(seen).entries)

    def act(self, action: Action, at_us: int) -> Iterator[Told]:
        """An operator's action in every variant in which it means something."""
        alarms = self.stepper.alarms
        for v in range(len(self.variants)):
            alarms.index = {c.subject: i for i, c in enumerate(self.layout.channels, v * self._channels)}
            try:
                entries = alarms.act(action, at_us)
            except ActionRefusedError:
                continue
            yield from map(self._named, entries)

    def marks(self) -> npt.NDArray[np.bool_]:
        """What hearing and learning see of what was decided, bool[variants, channels + 1]: the valves that
        pass, and whether an alarm keeps the group under watch."""
        passing = self.stepper.passing.reshape(-1, self._channels)
        watched = self.stepper.alarms.active[0].reshape(-1, self._channels).any(axis=1)
        return np.concatenate((passing, watched[:, None]), axis=1)

    def at_rest(self) -> bool:
        """No variant has a leak or a doubt standing, and nothing of their alarms would move by itself.

        Whether an alarm that is over was acknowledged differs between variants, and moves nothing.
        """
        alarms, stepper = self.stepper.alarms, self.stepper
        if stepper.passing.any() or alarms.active[:2].any() or (stepper.trends.start_us > 0).any():
            return False
        for name in ("active", "stood_s", "until_us", "held_by"):
            array = getattr(alarms, name).reshape(len(alarms.state), -1, self._channels)
            if (array != array[:, :1]).any():
                return False
        return True

    def hand_over(self, variant: int, target: Stepper) -> None:
        """Make what `target` (of one group) has decided what the variant has."""
        mine = slice(variant * self._channels, (variant + 1) * self._channels)
        target.passing[...], target.retest[...] = self.stepper.passing[mine], self.stepper.retest[mine]
        for name in AlarmBank.STATE:
            getattr(target.alarms, name)[...] = getattr(self.stepper.alarms, name)[:, mine]
        for name in target.trends.STATE:
            getattr(target.trends, name)[...] = getattr(self.stepper.trends, name)[mine]

    def hand_on(self, variant: int, target: Stepper) -> None:
        """The same for whoever goes on with it: also the last entry of each alarm, and what is in force."""
        self.hand_over(variant, target)
        first = variant * self._channels
        target.alarms.last = {
            (kind, channel - first): self._named(entry)[1]
            for (kind, channel), entry in self.stepper.alarms.last.items()
            if first <= channel < first + self._channels
        }
        for level, array in self._in_force.items():
            target.tuned.overrides[level][...] = array
        target.tuned.resolve()
        target.retune()

    def _named(self, entry: JournalEntry) -> Told:
        group, _, variant = entry.group.rpartition(SEPARATOR)
        return int(variant), replace(entry, group=group)

    def _rows_by_subject(self) -> dict[str, int]:
        return {name: i for i, c in enumerate(self.layout.channels) for name in (c.name, c.subject)}
