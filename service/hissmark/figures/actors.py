"""Which alarms make the load: the most frequent, those that chatter, those that stand for ever."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from hissmark.alarms.journal import Priority
from hissmark.figures.annunciations import Key, Stand, key_of
from hissmark.figures.load import DAY_US
from hissmark.store.records import JournalRow

CHATTER_COUNT, CHATTER_US = 3, 60_000_000
"""Three or more in a minute: a convention of the trade, the standard gives no number (second-hand)."""
STALE_US = DAY_US
"""An alarm that stands longer than a day (ISA-18.2, second-hand)."""


@dataclass(frozen=True, slots=True)
class Actor:
    """One alarm and how often it came. `share` is of all annunciations."""

    valve: str
    group: str
    alarm: str
    count: int
    share: float


def most_frequent(shown: Sequence[JournalRow], limit: int = 10) -> list[Actor]:
    """The alarms that came most often, by number and then by name."""
    groups = {key_of(row): row.entry.group for row in shown}
    ranked = sorted(Counter(map(key_of, shown)).items(), key=lambda item: (-item[1], item[0]))
    return [
        Actor(valve, groups[valve, alarm], alarm, n, n / len(shown)) for (valve, alarm), n in ranked[:limit]
    ]


def chattering(
    shown: Sequence[JournalRow], window_us: int = CHATTER_US, count: int = CHATTER_COUNT
) -> list[Actor]:
    """Alarms that came `count` times or more within `window_us`; how often they did in all."""
    times: dict[Key, list[int]] = defaultdict(list)
    for row in shown:
        times[key_of(row)].append(row.entry.at_us)
    found = {key for key, at in times.items() if _crowded(sorted(at), window_us, count)}
    return [a for a in most_frequent(shown, len(times)) if (a.valve, a.alarm) in found]


def _crowded(at_us: list[int], window_us: int, count: int) -> bool:
    return any(b - a < window_us for a, b in zip(at_us, at_us[count - 1 :], strict=False))


def stale(found: Sequence[Stand], at_us: int) -> list[Stand]:
    """Stands that at a moment have lasted longer than a day, the oldest first."""
    return [s for s in found if s.begin_us < at_us - STALE_US and (s.end_us is None or s.end_us > at_us)]


def most_stale(found: Sequence[Stand], from_us: int, to_us: int) -> int:
    """The most stale alarms at any moment of the span."""
    changes: list[tuple[int, int]] = []
    for s in found:
        begins, ends = max(s.begin_us + STALE_US, from_us), min(s.end_us or to_us, to_us)
        if begins < ends:
            changes += [(begins, 1), (ends, -1)]
    now = most = 0
    for _, change in sorted(changes):
        now += change
        most = max(most, now)
    return most


def by_priority(shown: Sequence[JournalRow]) -> dict[str, int]:
    """Annunciations of each priority."""
    found = Counter(row.entry.priority for row in shown)
    return {p.value: found[p] for p in Priority}
