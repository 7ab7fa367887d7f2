"""`hissmark replay`: a site's samples from files through the same core as the live service.

No broker and no database. Two passes: the first accounts for every row and finds out whether the files are in
order of time; the second runs the engine. Nothing is closed at the end that the daemon would not have closed.
"""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from hissmark.alarms.journal import JournalEntry
from hissmark.engine.layout import Layout
from hissmark.replay import journal
from hissmark.replay.convert import MAX_TIME_US, MIN_TIME_US, Converter
from hissmark.replay.rows import ReplayError, Tally
from hissmark.replay.shards import Job, Outcome, merged, split
from hissmark.replay.sources import FileSource, Source, scan, sort_on_disk
from hissmark.replay.workers import run_jobs
from hissmark.site.load import Site

Progress = Callable[[str, int, int | None], None]
"""Called with the stage (`READING`, `SORTING`, `JUDGING`), rows done, rows in all (None: not known yet)."""

READING, SORTING, JUDGING = "reading", "sorting", "judging"

_WORTH_A_PROCESS = 1_000_000
"""Rows for each further process; with fewer, starting it takes longer than it saves."""


@dataclass(frozen=True)
class ReplaySummary:
    """What was replayed. `tally` has bad rows and unknown names; `samples` is what the engine was given."""

    entries: list[JournalEntry]
    tally: Tally
    samples: int
    late: int
    ticks: int
    first_us: int | None
    last_us: int | None
    last_tick_us: int | None
    sorted_files: tuple[Path, ...]
    workers: int
    seconds: float

    @property
    def samples_per_s(self) -> float:
        return self.tally.rows / self.seconds if self.seconds > 0 else 0.0


def replay_files(
    site: Site,
    levels: Sequence[Path],
    process: Sequence[Path],
    out: Path,
    from_us: int | None = None,
    to_us: int | None = None,
    progress: Progress | None = None,
    workers: int | None = None,
) -> ReplaySummary:
    """Replay samples with from_us <= time < to_us and write the alarm journal to `out`.

    The result depends neither on `workers` nor on the order of rows or files. Raises ReplayError if a file
    cannot be used; single bad rows are left out and counted.
    """
    report = progress or (lambda stage, done, total: None)
    begun = time.perf_counter()
    settings = site.core
    layout = Layout.of(site.register, settings)
    window = (MIN_TIME_US if from_us is None else from_us, MAX_TIME_US if to_us is None else to_us)
    tally = Tally()
    found = _scanned([*levels, *process], Converter(layout.series_index(), *window), tally, report)
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".hissmark-replay-", dir=out.parent) as folder:
        sources = _sorted_where_needed(found, layout.names, Path(folder), report)
        shares = split(site.register, _processes(workers, tally.good))
        jobs = [Job(share, settings, tuple(sources)) for share in shares]
        outcomes = run_jobs(jobs, _counting(report, JUDGING, tally.rows * len(jobs)))
    entries = merged(outcomes, site.register)
    journal.write(entries, out)
    return _summary(entries, tally, outcomes, found, time.perf_counter() - begun)


def _scanned(paths: Sequence[Path], converter: Converter, tally: Tally, report: Progress) -> list[FileSource]:
    if not paths:
        raise ReplayError("there is nothing to replay: name at least one file of levels.")
    if converter.from_us >= converter.to_us:
        raise ReplayError("there is nothing to replay: --from is not before --to.")
    on_rows = _counting(report, READING, None)
    return [scan(path, converter, tally, on_rows) for path in paths]


def _sorted_where_needed(
    found: list[FileSource], names: tuple[str, ...], folder: Path, report: Progress
) -> list[Source]:
    """Files in order as they stand, the others dealt out to sorted pieces under `folder`."""
    unsorted = [f for f in found if f.must_be_sorted]
    on_rows = _counting(report, SORTING, sum(f.good for f in unsorted))
    sources: list[Source] = []
    for number, file in enumerate(found):
        if not file.good:
            continue
        if file.must_be_sorted:
            own = folder / str(number)
            own.mkdir()
            sources.extend(sort_on_disk(file, names, own, on_rows))
        else:
            sources.append(file)
    return sources


def _processes(wanted: int | None, rows: int) -> int:
    if wanted is not None:
        if wanted < 1:
            raise ReplayError("--workers must be at least 1.")
        return wanted
    return max(1, min(os.cpu_count() or 1, rows // _WORTH_A_PROCESS))


def _counting(report: Progress, stage: str, total: int | None) -> Callable[[int], None]:
    """A function that adds rows up and reports the sum."""
    done = 0

    def add(rows: int) -> None:
        nonlocal done
        done += rows
        report(stage, done, total)

    return add


def _summary(
    entries: list[JournalEntry],
    tally: Tally,
    outcomes: list[Outcome],
    found: list[FileSource],
    seconds: float,
) -> ReplaySummary:
    held = [f for f in found if f.good]
    ticks = [o.last_tick_us for o in outcomes if o.last_tick_us is not None]
    return ReplaySummary(
        entries,
        tally,
        sum(o.samples for o in outcomes),
        sum(o.late for o in outcomes),
        max((o.ticks for o in outcomes), default=0),
        min((f.first_us for f in held), default=None),
        max((f.last_us for f in held), default=None),
        max(ticks, default=None),
        tuple(f.path for f in found if f.must_be_sorted),
        len(outcomes),
        seconds,
    )
