"""Histories that follow a valve through its sensors, and a sensor from valve to valve."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from hissmark.engine.register import Channel
from hissmark.store.history import ChannelHistory
from hissmark.store.reader import Reader
from hissmark.store.whereabouts import Stay, of_channel, of_subject
from hissmark.upkeep.register_book import RegisterBook


class Follower:
    """Follows valves as their store alone tells: which sensor each had is read once, not for every valve."""

    def __init__(self, reader: Reader) -> None:
        self._reader = reader
        self._book = RegisterBook(Path(), reader.engine)

    def history(self, channel: Channel, from_us: int, to_us: int) -> Iterator[ChannelHistory]:
        """The ticks of a channel's valve in a span, whichever sensor it had."""
        return history_parts(self._reader, places_of(self._book, channel), from_us, to_us)


def places_of(book: RegisterBook | None, channel: Channel) -> list[Stay]:
    """The sensors of a channel's valve (or of a reference point) over time, oldest first."""
    found = [] if book is None else of_subject(book.stays(), channel.subject)
    return found or [Stay(channel.subject, channel)]


def places_named(book: RegisterBook, name: str) -> list[Stay]:
    """The same of a valve's tag, else the places of a channel; also of those no longer in the register."""
    stays = book.stays()
    return of_subject(stays, name) or of_channel(stays, name)


def history_parts(
    reader: Reader, places: Sequence[Stay], from_us: int, to_us: int, **more: Any
) -> Iterator[ChannelHistory]:
    """`Reader.history_parts` from place to place."""
    for stay in places:
        part = stay.within(from_us, to_us)
        if part is not None:
            yield from reader.history_parts(stay.channel.group, stay.channel.name, *part, **more)


def coarse_history(
    reader: Reader, places: Sequence[Stay], from_us: int, to_us: int, every_s: int
) -> Iterator[ChannelHistory]:
    """`Reader.coarse_history` from place to place."""
    for stay in places:
        part = stay.within(from_us, to_us)
        if part is not None:
            yield reader.coarse_history(stay.channel.group, stay.channel.name, *part, every_s)
