"""Which sensor listened to which valve, and when: history belongs to both, by the periods they share."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from hissmark.engine.register import Channel, Register

ALWAYS_US = -(1 << 62)
"""Before every tick."""
EVER_US = 1 << 62
"""After every tick."""


@dataclass(frozen=True, slots=True)
class InForce:
    """A register, the last tick of each group before it, and when it came into force (service's clock)."""

    register: Register
    after_us: Mapping[str, int]
    applied_us: int = ALWAYS_US

    def begins_us(self, groups: Iterable[str]) -> int:
        """The first moment under this register for what concerns `groups`: just behind their last tick."""
        known = [self.after_us[g] for g in groups if g in self.after_us]
        everywhere = max(self.after_us.values(), default=ALWAYS_US)
        return max(known, default=everywhere) + 1


@dataclass(frozen=True, slots=True)
class Stay:
    """A channel on one place. Ends are not included.

    Attributes:
        from_us, to_us: its ticks there (event time).
        since_us, until_us: its samples there: what was measured until a register came into force belongs to
            the one before, though its tick closed later.
    """

    subject: str
    channel: Channel
    from_us: int = ALWAYS_US
    to_us: int = EVER_US
    since_us: int = ALWAYS_US
    until_us: int = EVER_US

    def within(self, from_us: int, to_us: int) -> tuple[int, int] | None:
        """The part of its ticks in a span; None if there is none."""
        begin, end = max(self.from_us, from_us), min(self.to_us, to_us)
        return (begin, end) if begin < end else None

    def heard_within(self, from_us: int, to_us: int) -> tuple[int, int] | None:
        """The part of its samples in a span; None if there is none."""
        begin, end = max(self.since_us, from_us), min(self.until_us, to_us)
        return (begin, end) if begin < end else None


def stays(versions: Sequence[InForce]) -> list[Stay]:
    """Every stay, by its beginning. `versions` as they came into force, the first since ever."""
    done: list[Stay] = []
    present: dict[str, Stay] = {}
    for nth, version in enumerate(versions):
        following: dict[str, Stay] = {}
        at_us = version.applied_us if nth else ALWAYS_US
        for channel in version.register.channels:
            stay = present.pop(channel.name, None)
            if stay is not None and _same_place(stay.channel, channel):
                following[channel.name] = replace(stay, channel=channel)
                continue
            groups = [channel.group] if stay is None else [channel.group, stay.channel.group]
            begins = version.begins_us(groups) if nth else ALWAYS_US
            following[channel.name] = Stay(channel.subject, channel, begins, EVER_US, at_us, EVER_US)
            if stay is not None:
                done.append(replace(stay, to_us=begins, until_us=at_us))
        done += [
            replace(s, to_us=version.begins_us([s.channel.group]), until_us=at_us) for s in present.values()
        ]
        present = following
    return sorted(_all_heard([*done, *present.values()]), key=lambda s: (s.from_us, s.channel.name))


def _all_heard(found: list[Stay]) -> list[Stay]:
    """Where a sensor was first and last, all that bears its name is its own: no other place claims it."""
    by_channel: dict[str, list[Stay]] = {}
    for stay in sorted(found, key=lambda s: s.since_us):
        by_channel.setdefault(stay.channel.name, []).append(stay)
    for rows in by_channel.values():
        rows[0] = replace(rows[0], since_us=ALWAYS_US)
        rows[-1] = replace(rows[-1], until_us=EVER_US)
    return [stay for rows in by_channel.values() for stay in rows]


def of_subject(all_stays: Iterable[Stay], subject: str) -> list[Stay]:
    """The sensors of a valve (or a reference point) over time, oldest first."""
    return [s for s in all_stays if s.subject == subject]


def of_channel(all_stays: Iterable[Stay], name: str) -> list[Stay]:
    """The places of a channel over time, oldest first."""
    return [s for s in all_stays if s.channel.name == name]


def _same_place(one: Channel, other: Channel) -> bool:
    """Whether history goes on in the same columns: these are what it is found by."""
    return (one.subject, one.group, one.source) == (other.subject, other.group, other.source)
