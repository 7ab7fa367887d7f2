"""Several sources, each nearly in order of time, into one stream that is exactly in order."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from hissmark.replay.rows import Rows
from hissmark.replay.sources import OnRows, Source

_DONE = np.iinfo(np.int64).max


class _Feed:
    """One source: what has been read and not passed on (sorted), and how far it is complete.

    Every row before `front_us` has been read. A source is opened only once its turn comes.
    """

    def __init__(self, source: Source, wanted: dict[str, int], on_rows: OnRows) -> None:
        self._disorder_us = source.disorder_us
        self._chunks = source.rows(wanted, on_rows)
        self._latest_us = -_DONE
        self.waiting = Rows.empty()
        self.front_us = source.first_us

    def read(self) -> None:
        """Read one more chunk."""
        rows = next(self._chunks, None)
        if rows is None:
            self.front_us = _DONE
        elif len(rows):
            self._latest_us = max(self._latest_us, int(rows.time_us.max()))
            self.front_us = max(self.front_us, self._latest_us - self._disorder_us)
            self.waiting = _in_order([self.waiting, rows] if len(self.waiting) else [rows])

    def take(self, before_us: int) -> Rows:
        """Hand over the waiting rows earlier than `before_us`."""
        cut = int(np.searchsorted(self.waiting.time_us, before_us, side="left"))
        taken, self.waiting = self.waiting.take(slice(0, cut)), self.waiting.take(slice(cut, None))
        return taken


def in_time_order(sources: Sequence[Source], wanted: dict[str, int], on_rows: OnRows) -> Iterator[Rows]:
    """All rows of all sources by time; at equal times in the order of the sources, then of their rows.

    Holds about one chunk of each source that is open, and what its disorder makes wait.
    """
    feeds = [_Feed(source, wanted, on_rows) for source in sources]
    while feeds:
        behind = min(feeds, key=lambda feed: feed.front_us)
        behind.read()
        safe_us = min(feed.front_us for feed in feeds)
        ready = [taken for feed in feeds if len(taken := feed.take(safe_us))]
        feeds = [feed for feed in feeds if feed.front_us < _DONE or len(feed.waiting)]
        if ready:
            yield _in_order(ready)


def _in_order(parts: list[Rows]) -> Rows:
    rows = Rows.joined(parts)
    if (rows.time_us[1:] >= rows.time_us[:-1]).all():
        return rows
    return rows.take(np.argsort(rows.time_us, kind="stable"))
