"""The settings that can be changed while the service runs, as one value a channel.

Each comes from the site's file, unless a recorded change gave another value for the site, the group or the
valve; the narrowest wins.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from hissmark.engine.change import ChangeRefusedError, Level
from hissmark.engine.layout import Layout
from hissmark.engine.ranges import range_of, unit_of
from hissmark.engine.settings import (
    AlarmSettings,
    BaselineSettings,
    CoreSettings,
    JudgeSettings,
    PrioritySettings,
    SignalSettings,
)

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
US = 1_000_000

TUNABLE: dict[str, type] = {
    "spread_limit_db": SignalSettings,
    "drift_limit_db": SignalSettings,
    "follow_s": BaselineSettings,
    "max_rate_db_per_day": BaselineSettings,
    "max_drift_db": BaselineSettings,
    "rise_limit_db": JudgeSettings,
    "margin_db": JudgeSettings,
    "odds_limit": JudgeSettings,
    "min_difference_bar": JudgeSettings,
    "settle_s": JudgeSettings,
    "on_delay_s": AlarmSettings,
    "off_delay_s": AlarmSettings,
    "deadband_db": AlarmSettings,
    "fault_delay_s": AlarmSettings,
    "contested_delay_s": AlarmSettings,
    "budget_per_year": AlarmSettings,
    "clear_db": PrioritySettings,
    "severe_db": PrioritySettings,
}
"""Name of every setting that can be tuned, and the settings class it belongs to."""
NAMES = tuple(TUNABLE)
Overrides = dict[str, dict[str, float]]


class Tuned:
    """Present values, float32[channels] each, and the changes that they come from.

    Attributes:
        overrides: by level, float64[groups or channels, settings]; NaN where nothing was changed. The site's
            are kept for each group, because groups take a change up at their own time.
    """

    spread_limit_db: F32
    drift_limit_db: F32
    follow_s: F32
    max_rate_db_per_day: F32
    max_drift_db: F32
    rise_limit_db: F32
    margin_db: F32
    odds_limit: F32
    min_difference_bar: F32
    settle_s: F32
    on_delay_s: F32
    off_delay_s: F32
    deadband_db: F32
    fault_delay_s: F32
    contested_delay_s: F32
    budget_per_year: F32
    clear_db: F32
    severe_db: F32
    settle_us: npt.NDArray[np.int64]

    def __init__(self, layout: Layout) -> None:
        self._layout = layout
        self._defaults = np.array([default_of(layout.settings, name) for name in NAMES], np.float64)
        groups, channels = len(layout.group_names), len(layout.channels)
        rows = {Level.SITE: groups, Level.GROUP: groups, Level.VALVE: channels}
        self.overrides: dict[Level, F64] = {
            level: np.full((count, len(NAMES)), np.nan) for level, count in rows.items()
        }
        self._absent: dict[Level, Overrides] = {}
        self.resolve()

    def take(self, level: Level, rows: list[int], values: Mapping[str, float | None]) -> None:
        """Change values at a level; `rows`: groups (level site too) or channels. None takes a value back."""
        _put(self.overrides[level], rows, values)
        self.resolve()

    def resolve(self) -> None:
        """Work out the present values anew."""
        values = _resolved(self._defaults, self.overrides, self._layout.group_of)
        for i, name in enumerate(NAMES):
            setattr(self, name, values[:, i].astype(np.float32))
        self.settle_us = (self.settle_s.astype(np.float64) * US).astype(np.int64)

    def values_of(self, channel: int) -> dict[str, float]:
        """Every tunable setting as it is for one channel."""
        values = _resolved(self._defaults, self.overrides, self._layout.group_of)[channel]
        return dict(zip(NAMES, values.tolist(), strict=True))

    def settings_of(self, channel: int) -> CoreSettings:
        """The settings of the computation as they are for one channel."""
        return with_values(self._layout.settings, self.values_of(channel))

    def check(self, level: Level, rows: list[int], values: Mapping[str, float | None]) -> None:
        """Raises ChangeRefusedError if a value is not believable, or not together with the others."""
        for name, value in values.items():
            check_value(name, value)
        tried = {at: array.copy() for at, array in self.overrides.items()}
        _put(tried[level], rows, values)
        self._check_together(_resolved(self._defaults, tried, self._layout.group_of))

    def _check_together(self, values: F64) -> None:
        """Raises ChangeRefusedError where settings contradict each other at some channel."""
        for low, high, why in (
            ("deadband_db", "rise_limit_db", "no alarm would clear"),
            ("clear_db", "severe_db", "no leak would ever be clear without being severe"),
        ):
            below, above = values[:, NAMES.index(low)], values[:, NAMES.index(high)]
            wrong = np.flatnonzero(below >= above)
            if len(wrong):
                c = int(wrong[0])
                raise ChangeRefusedError(
                    f"{low} = {below[c]:g} dB would not be below {high} = {above[c]:g} dB "
                    f"at {self._layout.channels[c].subject}: {why}"
                )

    def to_plain(self) -> dict[str, Overrides]:
        """What was changed, by level, then group or valve, then setting."""
        layout = self._layout
        channels = [c.subject for c in layout.channels]
        names = {Level.SITE: layout.group_names, Level.GROUP: layout.group_names, Level.VALVE: channels}
        return {
            str(level): {
                **self._absent.get(level, {}),
                **{
                    names[level][row]: {
                        NAMES[i]: float(array[row, i]) for i in np.flatnonzero(~np.isnan(array[row])).tolist()
                    }
                    for row in np.flatnonzero(~np.isnan(array).all(axis=1)).tolist()
                },
            }
            for level, array in self.overrides.items()
        }

    def from_plain(
        self, plain: Mapping[str, Overrides], renamed: Mapping[str, str], new_groups: Collection[str]
    ) -> None:
        """Take over what `to_plain` gave, perhaps under another register.

        What concerns valves and groups that are not there is kept for when they come back; what concerns the
        whole site holds for new groups too. `renamed`: old name -> new name of groups.
        """
        layout = self._layout
        groups = {name: i for i, name in enumerate(layout.group_names)}
        channels = {c.subject: i for i, c in enumerate(layout.channels)}
        for level, array in self.overrides.items():
            places = channels if level is Level.VALVE else groups
            saved = dict(plain.get(str(level), {}))
            if level is not Level.VALVE:
                saved = {renamed.get(name, name): values for name, values in saved.items()}
            if level is Level.SITE:
                saved |= dict.fromkeys(new_groups, next(iter(saved.values()), {}))
            else:
                self._absent[level] = {name: saved[name] for name in saved if name not in places}
            for name in saved.keys() & places.keys():
                known = {setting: value for setting, value in saved[name].items() if setting in TUNABLE}
                _put(array, [places[name]], known)
        self.resolve()


def _put(overrides: F64, rows: list[int], values: Mapping[str, float | None]) -> None:
    for name, value in values.items():
        overrides[rows, NAMES.index(name)] = np.nan if value is None else value


def _resolved(defaults: F64, overrides: Mapping[Level, F64], group_of: npt.NDArray[np.int32]) -> F64:
    """float64[channels, settings]."""
    site, group, valve = overrides[Level.SITE], overrides[Level.GROUP], overrides[Level.VALVE]
    by_group = np.where(np.isnan(group), np.where(np.isnan(site), defaults, site), group)
    return np.where(np.isnan(valve), by_group[group_of], valve)


def default_of(settings: CoreSettings, name: str) -> float:
    """A tunable setting as the site's file (or the program) has it."""
    return float(getattr(_table(settings, TUNABLE[name]), name))


def _table(settings: CoreSettings, kind: type) -> object:
    tables = (settings.signal, settings.baseline, settings.judge, settings.alarms, settings.alarms.priority)
    return next(table for table in tables if type(table) is kind)


def with_values(settings: CoreSettings, values: Mapping[str, float]) -> CoreSettings:
    """`settings` with single tunable values replaced."""

    def of(kind: type) -> dict[str, float]:
        return {name: value for name, value in values.items() if TUNABLE[name] is kind}

    priority = replace(settings.alarms.priority, **of(PrioritySettings))  # type: ignore[arg-type]
    return replace(
        settings,
        signal=replace(settings.signal, **of(SignalSettings)),  # type: ignore[arg-type]
        baseline=replace(settings.baseline, **of(BaselineSettings)),  # type: ignore[arg-type]
        judge=replace(settings.judge, **of(JudgeSettings)),  # type: ignore[arg-type]
        alarms=replace(settings.alarms, priority=priority, **of(AlarmSettings)),  # type: ignore[arg-type]
    )


def check_value(name: str, value: float | None) -> None:
    """Raises ChangeRefusedError unless `name` can be tuned and `value` is believable (None: take it back)."""
    if name not in TUNABLE:
        raise ChangeRefusedError(f"{name!r} cannot be tuned; these can: {', '.join(NAMES)}")
    if value is None:
        return
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise ChangeRefusedError(f"{name} must be a number, not {value!r}")
    low, high = range_of(TUNABLE[name], name)
    if not low <= value <= high:
        raise ChangeRefusedError(
            f"{name} = {value:g}{unit_of(name)} is not believable: it must lie between {low:g} and {high:g}"
        )
