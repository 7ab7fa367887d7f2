"""What a primary host has missed: told ticks are noted, the rest is read from the history when it is back.

The note is a small file, so that a restart of ours loses nothing. Sparkplug data is not acknowledged: it goes
back a little from the last told tick, and a value may come twice, with the same time.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import structlog

from hissmark.store.errors import StoreError
from hissmark.store.history import ChannelHistory
from hissmark.store.reader import Reader

log = structlog.get_logger("hissmark.outgoing")

OVERLAP_US = 180_000_000
TICKS_AT_ONCE = 60
NOTE_S = 15.0
LOOK_S = 5.0
"""How often it is looked whether what was missed is stored by now."""
_TICK = 1


@dataclass(frozen=True, slots=True)
class Part:
    """Some ticks of a group, one at the least: channel -> its history."""

    group: str
    channels: Mapping[str, ChannelHistory]


class Missed:
    """Which ticks of each group were told, and those that were not.

    Args:
        reader: the history. file: where the last told tick of each group is noted.
    """

    def __init__(self, reader: Reader, file: Path) -> None:
        self._reader, self._file = reader, file
        self._told: dict[str, int] = _read(file)
        self._waiting: dict[str, tuple[int, int]] = {}
        self._note_due_s = self._look_due_s = 0.0

    def told(self, group: str, at_us: int) -> None:
        """A tick was told as it came; what was missed before it stays missed until it is told."""
        if group not in self._waiting:
            self._told[group] = max(at_us, self._told.get(group, 0))
            self.note()

    def born(self, ticks: Mapping[str, int]) -> None:
        """A birth has told these ticks (group -> time): what lies between them and the last told was missed.

        A group that was never told before has missed nothing.
        """
        for group, at_us in ticks.items():
            known = self._told.get(group)
            if known is None:
                self._told[group] = at_us
            else:
                since_us = self._waiting.get(group, (known - OVERLAP_US + _TICK, 0))[0]
                self._waiting[group] = (since_us, at_us)
        self._look_due_s = 0.0
        self.note(at_once=True)

    def parts(self, channels_of: Mapping[str, tuple[str, ...]]) -> Iterator[Part]:
        """What was missed, oldest first for each group; the next is asked for once one was told.

        What is not stored yet comes at a later call.
        """
        if time.monotonic() < self._look_due_s:
            return
        self._look_due_s = time.monotonic() + LOOK_S
        for group, (from_us, to_us) in list(self._waiting.items()):
            names = channels_of.get(group, ())
            while names and from_us < to_us:
                part = self._part(group, names, from_us, to_us)
                if part is None:
                    break
                yield part
                last_us = int(part.channels[names[0]].time_us[-1])
                from_us = last_us + _TICK
                self._waiting[group] = (from_us, to_us)
                self._told[group] = max(last_us, self._told.get(group, 0))
                self.note()
            if not names or self._is_stored(group, names[0], to_us):
                del self._waiting[group]
                self.told(group, to_us)

    def note(self, *, at_once: bool = False) -> None:
        """Put the last told ticks into the file, now and then."""
        if not at_once and time.monotonic() < self._note_due_s:
            return
        self._note_due_s = time.monotonic() + NOTE_S
        try:
            self._file.parent.mkdir(parents=True, exist_ok=True)
            beside = self._file.with_suffix(".new")
            beside.write_text(json.dumps(self._told), "utf-8")
            beside.replace(self._file)
        except OSError as error:
            log.warning("cannot note what was told to the primary host", reason=str(error))

    def _part(self, group: str, names: tuple[str, ...], from_us: int, to_us: int) -> Part | None:
        try:
            first = self._reader.history(group, names[0], from_us, to_us, most_ticks=TICKS_AT_ONCE)
            if not len(first.time_us):
                return None
            end_us = int(first.time_us[-1]) + _TICK
            rest = {n: self._reader.history(group, n, from_us, end_us) for n in names[1:]}
        except StoreError:  # the store is away; it is tried again
            return None
        return Part(group, {names[0]: first, **rest})

    def _is_stored(self, group: str, channel: str, at_us: int) -> bool:
        try:
            return len(self._reader.history(group, channel, at_us, at_us + _TICK).time_us) > 0
        except StoreError:
            return False


def _read(file: Path) -> dict[str, int]:
    try:
        return {str(group): int(at_us) for group, at_us in json.loads(file.read_text("utf-8")).items()}
    except (OSError, ValueError, AttributeError):
        return {}
