"""What each number of the computation may be, so that a slip of the pen is caught before it costs a leak."""

from __future__ import annotations

from typing import Any

from hissmark.engine.settings import (
    AlarmSettings,
    BaselineSettings,
    JudgeSettings,
    PrioritySettings,
    RepairSettings,
    SignalSettings,
)

Range = tuple[float, float]

_DAY_S = 86_400
_YEAR_S = 366 * _DAY_S

#: Lowest and highest believable value by field; both ends are allowed.
_RANGES: dict[type, dict[str, Range]] = {
    SignalSettings: {
        "tick_s": (1, 3600),
        "slot_s": (1, 3600),
        "window_s": (10, _DAY_S),
        "lateness_s": (0, _DAY_S),
        "patience_s": (0, 7 * _DAY_S),
        "max_ahead_s": (0, 7 * _DAY_S),
        "stale_s": (1, 30 * _DAY_S),
        "sparse_samples": (1, 1000),
        "spread_limit_db": (0.1, 60),
        "drift_limit_db": (0.1, 60),
    },
    BaselineSettings: {
        "learn_s": (0, _YEAR_S),
        "learn_windows": (1, 100_000),
        "follow_s": (60, 10 * _YEAR_S),
        "max_rate_db_per_day": (0, 24),
        "max_drift_db": (0, 60),
        "min_scale_db": (0.01, 20),
    },
    JudgeSettings: {
        "rise_limit_db": (0.5, 60),
        "margin_db": (0, 60),
        "coupling_db": (0, 20),
        "joint_loss_db": (0, 60),
        "loss_db_per_m": (0, 60),
        "default_loss_db": (0.1, 60),
        "min_difference_bar": (0, 1000),
        "settle_s": (0, 7 * _DAY_S),
        "odds_limit": (0, 40),
    },
    AlarmSettings: {
        "on_delay_s": (0, 7 * _DAY_S),
        "off_delay_s": (0, 7 * _DAY_S),
        "deadband_db": (0, 60),
        "fault_delay_s": (0, 30 * _DAY_S),
        "silent_delay_s": (0, 30 * _DAY_S),
        "contested_delay_s": (0, 30 * _DAY_S),
        "max_shelve_s": (60, 30 * _DAY_S),
        "budget_per_year": (0, 1000),
    },
    RepairSettings: {
        "hold_s": (60, 7 * _DAY_S),
        "near_db": (0.5, 20),
        "pressure_share": (0, 1),
        "wait_s": (3600, _YEAR_S),
    },
    PrioritySettings: {"clear_db": (0.5, 60), "severe_db": (0.5, 60)},
}

#: For a field that has no range of its own: by the unit at the end of its name.
_BY_UNIT: tuple[tuple[str, Range], ...] = (("_s", (0, 10 * _YEAR_S)), ("_db", (0, 120)), ("", (0, 1e9)))

#: Field name endings and the unit they stand for; the longer ending comes first.
UNITS = (
    ("_db_per_day", "dB per day"),
    ("_db_per_m", "dB per metre"),
    ("_days", "days"),
    ("_db", "dB"),
    ("_bar", "bar"),
    ("_mm", "mm"),
    ("_m", "m"),
    ("_s", "s"),
)


def range_of(table: type, name: str) -> Range:
    """Lowest and highest value that `name` of settings class `table` may take."""
    known = _RANGES.get(table, {})
    if name in known:
        return known[name]
    return next(limits for ending, limits in _BY_UNIT if name.endswith(ending))


def unit_of(name: str) -> str:
    """The unit that a field name carries, with a leading blank: ``" dB"``; empty if it has none."""
    return next((f" {unit}" for ending, unit in UNITS if name.endswith(ending)), "")


def is_number(kind: Any) -> bool:
    """Whether a field's type is a plain number."""
    return kind in (int, float)
