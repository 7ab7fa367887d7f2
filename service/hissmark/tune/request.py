"""What somebody wants to try: which valves, which period, which settings. Checked, with errors in words."""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from hissmark.engine.change import ChangeRefusedError, Level
from hissmark.engine.layout import Layout
from hissmark.engine.tuned import NAMES, check_value
from hissmark.engine.variants import Setting, Variant
from hissmark.publish.times import parse_rfc3339, rfc3339

DAY_US = 86_400_000_000
BEFORE_DAYS = 14.0
"""How long before the period the replay begins, so that backgrounds are learned when it starts."""
MOST_VARIANTS = 1000
MOST_DAYS = 10 * 366


class TuneError(ValueError):
    """What was asked for cannot be tried; the message says why, to the person."""


class Kind(StrEnum):
    """What is asked for."""

    TRY = "try"
    SWEEP = "sweep"
    SUGGEST = "suggest"


@dataclass(frozen=True, slots=True)
class Axis:
    """One setting over several values, at one level."""

    setting: str
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Request:
    """What is to be tried.

    Attributes:
        valves: tags whose groups are replayed; empty for the whole site.
        settings: for `TRY`. axes: for `SWEEP` (one or two), at `level` of `subject`.
        budget: for `SUGGEST`: false alarms allowed in a valve and year.
        before_us: length of the time before the period from which is learned.
        present: the swept settings as they are in force, so that their point is on the curve.
    """

    kind: Kind
    valves: tuple[str, ...]
    from_us: int
    to_us: int
    settings: tuple[Setting, ...] = ()
    axes: tuple[Axis, ...] = ()
    level: Level = Level.SITE
    subject: str = ""
    budget: float | None = None
    before_us: int = int(BEFORE_DAYS * DAY_US)
    present: tuple[tuple[str, float], ...] = ()

    def variants(self) -> list[Variant]:
        """What is replayed: first what was in force, then what is to be tried; of a sweep first what is
        in force at the end of the period."""
        if self.kind is Kind.TRY:
            return [(), self.settings]
        grid = itertools.product(*(axis.values for axis in self.axes))
        names = [axis.setting for axis in self.axes]
        here = Setting(self.level, self.subject, dict(self.present))
        return [
            (),
            (here,) if self.present else (),
            *((Setting(self.level, self.subject, dict(zip(names, values, strict=True))),) for values in grid),
        ]

    def groups(self, layout: Layout) -> list[str]:
        """Groups that are replayed."""
        if not self.valves:
            return [str(name) for name in layout.group_names]
        wanted = {c.group for c in layout.channels if c.subject in self.valves}
        return [name for name in layout.group_names if name in wanted]

    def shape(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "kind": self.kind.value,
            "valves": list(self.valves),
            "from": rfc3339(self.from_us),
            "to": rfc3339(self.to_us),
            "settings": [setting_shape(setting) for setting in self.settings],
            "axes": [{"setting": a.setting, "values": list(a.values)} for a in self.axes],
            "level": self.level.value,
            "subject": self.subject,
            "budget": self.budget,
            "before_days": self.before_us / DAY_US,
        }


def setting_shape(setting: Setting) -> dict[str, Any]:
    """A setting as JSON has it."""
    return {"level": setting.level.value, "subject": setting.subject, "values": dict(setting.values)}


def read_request(plain: Mapping[str, Any], layout: Layout) -> Request:
    """A request from plain values. Raises TuneError that names what is wrong."""
    try:
        kind = Kind(plain.get("kind", ""))
    except ValueError:
        raise TuneError(f"kind must be one of: {', '.join(Kind)}.") from None
    from_us, to_us = _time(plain, "from"), _time(plain, "to")
    level, subject = _place(plain, layout)
    request = Request(
        kind, _valves(plain, layout), from_us, to_us,
        tuple(_setting(row, layout) for row in _rows(plain, "settings")),
        tuple(_axis(row) for row in _rows(plain, "axes")),
        level, subject, _budget(plain), _before_us(plain),
    )  # fmt: skip
    return check(request)


def check(request: Request) -> Request:
    """Raises TuneError if the parts do not go together."""
    if request.from_us >= request.to_us:
        raise TuneError("the period must begin before it ends.")
    if request.to_us - request.from_us > MOST_DAYS * DAY_US:
        raise TuneError("the period is longer than ten years; choose a shorter one.")
    if not 0 <= request.before_us <= MOST_DAYS * DAY_US:
        raise TuneError("before_days must lie between 0 and ten years.")
    if request.kind is Kind.TRY and not request.settings:
        raise TuneError("a trial needs at least one changed setting.")
    if request.kind is Kind.SWEEP and not 1 <= len(request.axes) <= 2:
        raise TuneError("a sweep needs one or two settings, each with its values.")
    if len({axis.setting for axis in request.axes}) != len(request.axes):
        raise TuneError("the two settings of a sweep must differ.")
    if request.kind is Kind.SUGGEST and request.budget is None:
        raise TuneError("a suggestion needs a budget: false alarms allowed in a valve and year.")
    if len(request.variants()) > MOST_VARIANTS:
        raise TuneError(f"at most {MOST_VARIANTS} combinations of values can be tried at once.")
    return request


def spaced(low: float, high: float, count: int) -> tuple[float, ...]:
    """`count` values from `low` to `high`, evenly, rounded to what a person would write."""
    if count == 1:
        return (low,)
    step = (high - low) / (count - 1)
    return tuple(round(low + i * step, 6) for i in range(count))


def _rows(plain: Mapping[str, Any], name: str) -> Sequence[Mapping[str, Any]]:
    rows = plain.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
        raise TuneError(f"{name} must be a list of objects.")
    return rows


def _time(plain: Mapping[str, Any], name: str) -> int:
    try:
        return parse_rfc3339(str(plain[name]))
    except KeyError:
        raise TuneError(f"{name} is missing: the period needs a beginning and an end.") from None
    except ValueError as error:
        raise TuneError(f"{name}: {error}.") from None


def _valves(plain: Mapping[str, Any], layout: Layout) -> tuple[str, ...]:
    wanted = plain.get("valves", [])
    if not isinstance(wanted, list):
        raise TuneError("valves must be a list of tags.")
    known = {c.subject for c in layout.channels}
    for tag in wanted:
        if tag not in known:
            raise TuneError(f"there is no valve {tag!r} in the register.")
    return tuple(dict.fromkeys(map(str, wanted)))


def _place(plain: Mapping[str, Any], layout: Layout) -> tuple[Level, str]:
    try:
        level = Level(plain.get("level", "site"))
    except ValueError:
        raise TuneError(f"level must be one of: {', '.join(Level)}.") from None
    subject = str(plain.get("subject", ""))
    if level is Level.SITE:
        return level, ""
    known = set(layout.group_names) if level is Level.GROUP else {c.subject for c in layout.channels}
    if subject not in known:
        raise TuneError(f"there is no {level.value} {subject!r} in the register.")
    return level, subject


def _setting(row: Mapping[str, Any], layout: Layout) -> Setting:
    level, subject = _place(row, layout)
    values = row.get("values")
    if not isinstance(values, Mapping) or not values:
        raise TuneError("a changed setting needs values.")
    return Setting(level, subject, {str(name): _value(str(name), value) for name, value in values.items()})


def _axis(row: Mapping[str, Any]) -> Axis:
    setting, values = str(row.get("setting", "")), row.get("values")
    if setting not in NAMES:
        raise TuneError(f"{setting!r} cannot be tuned; these can: {', '.join(NAMES)}.")
    if not isinstance(values, list) or not values:
        raise TuneError(f"{setting} needs a list of values.")
    return Axis(setting, tuple(dict.fromkeys(_value(setting, value) for value in values)))


def _value(name: str, value: Any) -> float:
    number = _number(value, name)
    try:
        check_value(name, number)
    except ChangeRefusedError as error:
        raise TuneError(f"{error}.") from None
    return number


def _number(value: Any, name: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise TuneError(f"{name} must be a number, not {value!r}.")
    return float(value)


def _before_us(plain: Mapping[str, Any]) -> int:
    return int(_number(plain.get("before_days", BEFORE_DAYS), "before_days") * DAY_US)


def _budget(plain: Mapping[str, Any]) -> float | None:
    value = plain.get("budget")
    if value is None:
        return None
    number = _number(value, "budget")
    if not 0 < number <= 1000:
        raise TuneError("budget must be more than 0 and at most 1000 false alarms in a valve and year.")
    return number
