"""Opening a site for reading, whether its service runs or not."""

from __future__ import annotations

import difflib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from hissmark.cli.errors import CommandError
from hissmark.cli.moments import now_us
from hissmark.engine.register import Channel
from hissmark.site.load import Site, load_site
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.records import CLOCK_OFFSET


@dataclass(frozen=True)
class Opened:
    """A site and the reader of its store."""

    site: Site
    reader: Reader

    def channel(self, name: str) -> Channel:
        """The channel on valve `name`, or the channel of that name. Raises CommandError with near names."""
        channels = self.site.register.channels
        found = self.site.register.valves.get(name) or next((c for c in channels if c.name == name), None)
        if found is not None:
            return found
        known = [*self.site.register.valves, *(c.name for c in channels)]
        raise CommandError(f"{name!r} is no valve or channel of {self.site.name}. {_near(name, known)}")

    @cached_property
    def _clock_offset_us(self) -> int:
        return int(self.reader.meta(CLOCK_OFFSET) or 0)

    @property
    def now_us(self) -> int:
        """The service's clock: the machine's, but for an invented plant that runs in its own time."""
        return now_us() + self._clock_offset_us

    @property
    def last_heard_us(self) -> int | None:
        """Time of the newest stored sample; None while there is none."""
        extent = self.reader.sample_extent()
        return None if extent is None else extent.last_us


@contextmanager
def opened(folder: Path) -> Iterator[Opened]:
    """The site in `folder` and its store. Raises SiteError or StoreError that says what to do."""
    site = load_site(folder)
    reader = Reader(open_for_reading(site.store_url, site.folder), site.archive)
    try:
        yield Opened(site, reader)
    finally:
        reader.close()


def _near(name: str, known: list[str]) -> str:
    by_lower = {k.lower(): k for k in reversed(known)}
    near = difflib.get_close_matches(name.lower(), list(by_lower), n=5, cutoff=0.5)
    if near:
        return f"Near it: {', '.join(by_lower[k] for k in near)}."
    shown = known[:8]
    more = f" and {len(known) - len(shown)} more" if len(known) > len(shown) else ""
    return f"Known are {', '.join(shown)}{more}."
