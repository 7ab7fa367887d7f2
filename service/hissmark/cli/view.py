"""What `hissmark watch` shows: one frame from the store's latest readings and journal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import msgspec

from hissmark.alarms.journal import Alarm, AlarmState
from hissmark.cli.standing import PAGE_ROWS, after_entry, until_us
from hissmark.publish.alarm_shapes import alarm_shape
from hissmark.publish.shapes import ChannelReading, GroupReading
from hissmark.publish.times import age_text, parse_rfc3339, rfc3339

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.text import Text

    from hissmark.cli.opened import Opened

BLOCKS = "▁▂▃▄▅▆▇█"
STEP_DB = 3.0
"""Rise that one step of a block stands for."""
SAVED_EVERY_S = 45.0
"""The service saves readings about every 30 s; until then older ones are no sign of silence."""
OLD = "strike dim"


@dataclass(frozen=True)
class Group:
    """One group as it was last judged. `age_s`: since its newest sample, None before the first."""

    name: str
    reading: GroupReading | None
    age_s: float | None
    fresh: bool


@dataclass(frozen=True)
class View:
    """Everything one frame shows."""

    site: str
    now_us: int
    age_s: float | None
    fresh: bool
    groups: tuple[Group, ...]
    alarms: tuple[Alarm, ...]


@dataclass
class Watcher:
    """Looks at a site again and again; reads of the journal only what is new."""

    site: Opened
    _alarms: dict[tuple[str, str], Alarm] = field(default_factory=dict)
    _seq: int = 0

    def look(self) -> View:
        """What is known now. Raises StoreError."""
        self._follow()
        reader, now_us = self.site.reader, self.site.now_us
        found: dict[str, GroupReading] = {r.group: msgspec.json.decode(r.payload) for r in reader.readings()}
        groups = tuple(self._group(name, found.get(name), now_us) for name in self.site.site.register.groups)
        last_us = self.site.last_heard_us
        age_s = None if last_us is None else max(0.0, (now_us - last_us) / 1e6)
        fresh = age_s is not None and age_s <= self._limit_s(None)
        alarms = tuple(sorted(self._alarms.values(), key=_urgency))
        return View(self.site.site.name, now_us, age_s, fresh, groups, alarms)

    def _follow(self) -> None:
        while page := self.site.reader.journal(after_seq=self._seq, limit=PAGE_ROWS):
            for row in page:
                key = (row.entry.valve, row.entry.alarm.value)
                if row.entry.state is AlarmState.NORMAL:
                    self._alarms.pop(key, None)
                else:
                    before = self._alarms.get(key)
                    self._alarms[key] = after_entry(
                        before, row.entry, lambda i: until_us(self.site.reader, i)
                    )
            self._seq = page[-1].seq

    def _limit_s(self, reading: GroupReading | None) -> float:
        told = [c["interval_s"] or 0.0 for c in reading["channels"]] if reading else []
        known = [c.interval_s or 0.0 for c in self.site.site.register.channels]
        return max(float(self.site.site.core.signal.stale_s), 3 * max(told or known, default=0.0))

    def _group(self, name: str, reading: GroupReading | None, now_us: int) -> Group:
        heard = [c["last_heard"] for c in reading["channels"] if c["last_heard"]] if reading else []
        if not heard:
            return Group(name, reading, None, False)
        age_s = max(0.0, (now_us - max(map(parse_rfc3339, heard))) / 1e6)
        return Group(name, reading, age_s, age_s <= self._limit_s(reading) + SAVED_EVERY_S)


_STATES = (AlarmState.UNACKNOWLEDGED, AlarmState.RTN_UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
_PRIORITIES = ("high", "medium", "low")


def _urgency(alarm: Alarm) -> tuple[int, int, int]:
    state = _STATES.index(alarm.state) if alarm.state in _STATES else len(_STATES)
    return (state, _PRIORITIES.index(alarm.priority), -alarm.raised_us)


def skyline(channels: Sequence[ChannelReading], width: int) -> str:
    """A group in pipe order, two columns a channel, one step a 3 dB; what cannot be told is no block."""
    cells = [_cell(c) + ("°" if c["kind"] == "reference" else " ") for c in channels]
    most = max(1, width // 2)
    shown = cells if len(cells) <= most else [*cells[: most - 1], "… "]
    return "".join(shown).rstrip()


def _cell(channel: ChannelReading) -> str:
    if channel["health"] != "well":
        return "×"
    if channel["verdict"] == "not testable" or channel["rise_db"] is None:
        return "·"
    return BLOCKS[min(len(BLOCKS) - 1, max(0, int(channel["rise_db"] / STEP_DB)))]


def frame(view: View, width: int, height: int) -> RenderableType:
    """One frame, at most `height` lines: head, alarms, skylines, foot."""
    from rich.console import Group as Stack

    head, foot = _head(view), _foot()
    room = max(4, height - len(head) - len(foot) - 3)
    wanted = min(len(view.groups), max(2, room // 2))
    alarms = _alarms(view, width, max(2, room - wanted))
    groups = _groups(view, width, max(2, room - sum(_rows(line, width) for line in alarms)))
    return Stack(*head, _line(""), *alarms, _line(""), *groups, _line(""), *foot)


def _rows(line: Text, width: int) -> int:
    """How many lines of the terminal it takes, with some more for breaking between words."""
    return 1 if line.no_wrap else -(-len(line) // max(20, width - 10))


def _line(text: str, style: str = "") -> Text:
    """One line, cut where it is too long; control characters of names and comments are shown as '?'."""
    from rich.text import Text

    plain = "".join(c if c.isprintable() else "?" for c in text)
    return Text(plain, style=style, no_wrap=True, overflow="ellipsis")


def _head(view: View) -> list[Text]:
    clock = rfc3339(view.now_us)[:19].replace("T", " ") + " UTC"
    if view.age_s is None:
        return [_line(f"{view.site}   {clock}   no data has arrived yet", "bold")]
    heard = f"newest data {age_text(view.age_s)} ago"
    if view.fresh:
        return [_line(f"{view.site}   {clock}   {heard}", "bold")]
    warning = f"NO FRESH DATA: {heard}. What is shown is old; do the service and its broker run?"
    return [_line(f"{view.site}   {clock}", "bold"), _line(warning, "bold reverse")]


def _foot() -> list[Text]:
    return [
        _line("▁▂▃▄▅▆▇█ rise, 3 dB a step   ° reference point   · not testable   × sensor fault", "dim"),
        _line("q quits   An aid for finding leaks, not proof of isolation.", "dim"),
    ]


def _alarms(view: View, width: int, room: int) -> list[Text]:
    """Whole sentences while there is room, else one line each, the most urgent first."""
    if not view.alarms:
        said = "No alarm stands." if view.fresh else "No alarm stood when data was last heard."
        return [_line(said, "" if view.fresh else OLD)]
    groups = {g.name: g for g in view.groups}
    lines = [_alarm(view, alarm, groups.get(alarm.group)) for alarm in view.alarms]
    for line in lines:
        line.no_wrap = False
    if sum(_rows(line, width) for line in lines) <= room:
        return lines
    for line in lines:
        line.no_wrap = True
    if len(lines) <= room:
        return lines
    return [*lines[: room - 1], _line(f"and {len(lines) - room + 1} more: hissmark alarms", "bold")]


def _alarm(view: View, alarm: Alarm, group: Group | None) -> Text:
    shape = alarm_shape(alarm, group.reading if group else None, view.now_us)
    loud = alarm.state in _STATES[:2]
    mark = "!" if loud else " "
    state = "" if loud else f" [{alarm.state.value.replace('-', ' ')}]"
    old = "" if group and group.fresh else f"(old: heard last {_age(group)}) "
    style = OLD if old else ("bold" if loud else "")
    return _line(f"{mark} {alarm.priority.value:<6} {old}{shape['sentence']}{state}", style)


def _age(group: Group | None) -> str:
    return "never" if group is None or group.age_s is None else f"{age_text(group.age_s)} ago"


def _groups(view: View, width: int, room: int) -> list[Text]:
    """Groups with something to tell first; all of them if there is room."""
    ranked = sorted(view.groups, key=lambda g: (_calm(g), [x.name for x in view.groups].index(g.name)))
    shown = ranked if len(ranked) <= room else ranked[: room - 1]
    names = max((len(g.name) for g in shown), default=0)
    column = min(names, 24)
    lines = [_group(g, column, width) for g in shown]
    if len(shown) < len(ranked):
        quiet = sum(_calm(g) == 2 for g in ranked[len(shown) :])
        lines.append(_line(f"and {len(ranked) - len(shown)} more groups, {quiet} of them quiet", "dim"))
    return lines


def _calm(group: Group) -> int:
    if not group.fresh:
        return 0
    return 2 if group.reading and group.reading["explanation"]["kind"] == "nothing" else 1


def _group(group: Group, column: int, width: int) -> Text:
    name = f"{group.name[:column]:<{column}}  "
    if group.reading is None:
        return _line(f"{name}waiting for its first judgement", "dim")
    room = max(8, (width - len(name)) // 2)
    line = (
        f"{name}{skyline(group.reading['channels'], room):<{min(room, 2 * len(group.reading['channels']))}}  "
    )
    if not group.fresh:
        return _line(f"{line}old: heard last {_age(group)}", OLD)
    return _line(line + group.reading["explanation"]["sentence"])
