"""A request carried out: by this process, or shared out among several, each with some of the groups."""

from __future__ import annotations

import multiprocessing
import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from pathlib import Path
from typing import Any

import sqlalchemy as sa

from hissmark.engine.layout import Layout
from hissmark.repairs.truth import known
from hissmark.site.candidate import register_of
from hissmark.site.load import Site, load_site
from hissmark.store import registers
from hissmark.store.errors import in_words
from hissmark.store.open import open_for_reading, place_of
from hissmark.store.reader import Reader
from hissmark.store.repairs import RepairBook
from hissmark.store.whereabouts import InForce
from hissmark.tune.lifeline import end_with_parent
from hissmark.tune.period import Outcome, replay
from hissmark.tune.request import Request, read_request
from hissmark.tune.stages import Lineage, lineage_of
from hissmark.tune.work import Sight, work

Report = Callable[[float], None]
"""Told how far a request is, from 0 to 1."""
WORTH_A_PROCESS = 4
"""Groups for which starting a process pays."""
PORTIONS_A_PROCESS = 5
"""Each process gets its groups in so many portions, the next when it is done with one."""


def carry_out(
    site: Site, plain: Mapping[str, Any], report: Report, workers: int | None = None
) -> dict[str, Any]:
    """Read a request and carry it out. Raises TuneError, StoreError."""
    layout = Layout.of(site.register, site.core)
    request = read_request(plain, layout)
    engine = open_for_reading(site.store_url, site.folder)
    reader = Reader(engine, site.archive)
    try:
        lineages = _lineages(layout, engine, request.groups(layout))
        spans = known(RepairBook(engine, engine), request.from_us, request.to_us)
        sight = Sight(layout, reader, spans, lineages)

        def replayed(wanted: Request) -> Outcome:
            return _replayed(site, lineages, reader, wanted, report, workers)

        return work(sight, request, replayed)
    finally:
        reader.close()


def _lineages(layout: Layout, engine: sa.Engine, groups: Sequence[str]) -> dict[str, Lineage]:
    """Each group's registers over time."""
    with in_words(place_of(engine.url)), engine.begin() as connection:
        rows = registers.all_in_force(connection)
    versions = [InForce(register_of(v.text), v.applied_after_us, v.applied_us or 0) for v in rows]
    return {group: lineage_of(layout, group, versions) for group in groups}


def _replayed(
    site: Site, lineages: Mapping[str, Lineage], reader: Reader, request: Request, report: Report,
    workers: int | None,
) -> Outcome:  # fmt: skip
    groups = list(lineages)
    count = workers or max(1, min(os.cpu_count() or 1, len(groups) // WORTH_A_PROCESS))
    begin_us, span_us = (
        request.from_us - request.before_us,
        request.to_us - request.from_us + request.before_us,
    )

    def reached(at_us: int) -> bool:
        report(min(max((at_us - begin_us) / span_us, 0.0), 1.0))
        return True

    if count == 1:
        return replay(reader, list(lineages.values()), request, reached)
    return _by_several(site.folder, groups, request, report, count)


def _by_several(folder: Path, groups: Sequence[str], request: Request, report: Report, count: int) -> Outcome:
    """Deal the groups out, a few at a time, so that no process waits long for another at the end: a group in
    which something happens takes many times as long as a quiet one."""
    portions = min(len(groups), PORTIONS_A_PROCESS * count)
    shares = [list(groups[i::portions]) for i in range(portions)]
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(count, mp_context=context, initializer=end_with_parent) as pool:
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
    engine = open_for_reading(site.store_url, site.folder)
    reader = Reader(engine, site.archive)
    try:
        lineages = _lineages(layout, engine, groups)
        return replay(reader, list(lineages.values()), request, lambda at_us: True)
    finally:
        reader.close()


def _joined(parts: list[Outcome], groups: list[str]) -> Outcome:
    order = {name: i for i, name in enumerate(groups)}

    def together(lists: list[list[Any]]) -> list[Any]:
        return sorted((e for found in lists for e in found), key=lambda e: (e.at_us, order.get(e.group, -1)))

    variants = range(len(parts[0].entries))
    ended = [part.ended_us for part in parts if part.ended_us is not None]
    began = [part.began_us for part in parts if part.began_us is not None]
    return Outcome(
        together([p.before for p in parts]),
        [together([p.entries[v] for p in parts]) for v in variants],
        sum(p.samples for p in parts),
        sum(p.ticks for p in parts),
        sum(p.singly for p in parts),
        min(began, default=None),
        max(ended, default=None),
    )
