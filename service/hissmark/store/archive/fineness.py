"""One folder of files in milliseconds and in microseconds that is still read as one table.

Files whose times are whole milliseconds are kept in that unit (`sample_files`). Whoever reads the folder as
one table takes its type from the first file by path and turns the others into it: pandas and Arrow do, and
refuse what would lose digits. So as soon as any file has finer times, the first one is in microseconds too.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import replace

import sqlalchemy as sa

from hissmark.store.archive import catalogue, sample_files
from hissmark.store.archive.catalogue import Kind
from hissmark.store.archive.place import Place, digest

Transaction = Callable[[], AbstractContextManager[sa.Connection]]


def takes_us(transaction: Transaction, place: Place, path: str) -> bool:
    """Whether a file is written in microseconds whatever its times are: it comes first, where the one that
    does so now has them.
    """
    with transaction() as connection:
        first = catalogue.first(connection, Kind.SAMPLES)
    return first is not None and path <= first.path and sample_files.is_in_us(place.open(first.path))


def refine_first(transaction: Transaction, place: Place, now_us: int) -> bool:
    """Write the first file anew in microseconds unless it is; call it once a file has finer times. Returns
    whether there was anything to do. Cut short, the next call puts right what stands on record.
    """
    with transaction() as connection:
        first = catalogue.first(connection, Kind.SAMPLES)
    if first is None:
        return False
    source = place.open(first.path)
    if sample_files.is_in_us(source) and digest(place.open(first.path)) == first.sha256:
        return False
    names, held = sample_files.read_all(place.open(first.path))
    with place.draft() as draft:
        sample_files.write(draft, held, dict(enumerate(names)), fine=True)
        size, sha256 = draft.stat().st_size, digest(draft)
        place.publish(draft, first.path)
    anew = replace(first, generation=first.generation + 1, bytes=size, sha256=sha256, sealed_us=now_us)
    with transaction() as connection:
        catalogue.put(connection, [anew])
    return True
