"""A request carried out: by this process, or shared out among several, each with some of the groups."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Any

from hissmark.engine.layout import Layout
from hissmark.repairs.truth import known
from hissmark.site.load import Site, load_site
from hissmark.store.open import open_for_reading
from hissmark.store.reader import Reader
from hissmark.store.repairs import RepairBook
from hissmark.tune.period import Outcome, replay
from hissmark.tune.request import Request, read_request
from hissmark.tune.work import Sight, work

Report = Callable[[float], None]
"""Told how far a request is, from 0 to 1."""
WORTH_A_PROCESS = 4
"""Groups for which starting a process pays."""


def carry_out(
    site: Site, plain: Mapping[str, Any], report: Report, workers: int | None = None
) -> dict[str, Any]:
    """Read a request and carry it out. Raises TuneError, StoreError."""
    layout = Layout.of(site.register, site.core)
    request = read_request(plain, layout)
    engine = open_for_reading(site.store_url, site.folder)
    reader = Reader(engine, site.archive)
    try:
        sight = Sight(layout, reader, known(RepairBook(engine, engine), request.from_us, request.to_us))

        def replayed(wanted: Request) -> Outcome:
            return _replayed(site, layout, reader, wanted, report, workers)

        return work(sight, request, replayed)
    finally:
        reader.close()


def _replayed(
    site: Site, layout: Layout, reader: Reader, request: Request, report: Report, workers: int | None
) -> Outcome:
    groups = request.groups(layout)
    count = workers or max(1, min(os.cpu_count() or 1, len(groups) // WORTH_A_PROCESS))
    begin_us, span_us = (
        request.from_us - request.before_us,
        request.to_us - request.from_us + request.before_us,
    )

    def reached(at_us: int) -> bool:
        report(min(max((at_us - begin_us) / span_us, 0.0), 1.0))
        return True

    if count == 1:
        return replay(layout, reader, groups, request, reached)
    return _by_several(site.folder, groups, request, report, count)


def _by_several(folder: Path, groups: Sequence[str], request: Request, report: Report, count: int) -> Outcome:
    """Deal the groups out, a few at a time, so that no process waits long for another at the end."""
    portions = min(len(groups), count)
    shares = [list(groups[i::portions]) for i in range(portions)]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context) as pool:
        waiting: set[Future[Outcome]] = {pool.submit(_share, folder, share, request) for share in shares}
        parts: list[Outcome] = []
        while waiting:
            over, waiting = wait(waiting, return_when=FIRST_COMPLETED)
            parts += [future.result() for future in over]
            report(len(parts) / portions)
    return _joined(parts, list(groups))


def _share(folder: Path, groups: list[str], request: Request) -> Outcome:
    """Body of a process."""
    site = load_site(folder)
    layout = Layout.of(site.register, site.core)
    reader = Reader(open_for_reading(site.store_url, site.folder), site.archive)
    try:
        return replay(layout, reader, groups, request, lambda at_us: True)
    finally:
        reader.close()


def _joined(parts: list[Outcome], groups: list[str]) -> Outcome:
    order = {name: i for i, name in enumerate(groups)}

    def together(lists: list[list[Any]]) -> list[Any]:
        return sorted((e for found in lists for e in found), key=lambda e: (e.at_us, order[e.group]))

    variants = range(len(parts[0].entries))
    began = [part.began_us for part in parts if part.began_us is not None]
    return Outcome(
        together([p.before for p in parts]),
        [together([p.entries[v] for p in parts]) for v in variants],
        sum(p.samples for p in parts),
        sum(p.ticks for p in parts),
        sum(p.singly for p in parts),
        min(began, default=None),
    )
