"""Some groups of the site run through the engine over the files, in this process or in one of its own.

Groups never look at each other, so each process takes some of them and reads the files for itself.
"""

from __future__ import annotations

import signal
import traceback
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from multiprocessing.connection import Connection

import numpy as np

from hissmark.alarms.journal import JournalEntry
from hissmark.decode.columns import Batch, Flag
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.engine.settings import CoreSettings
from hissmark.replay.merge import in_time_order
from hissmark.replay.rows import ReplayError, Rows
from hissmark.replay.sources import Source

BATCH_ROWS = 1 << 17
"""Rows offered to the engine at once: few enough to stay in the processor's cache and memory small."""

BATCH_SPAN_US = 3_600_000_000
"""Longest event time offered at once, so that sparse data does not close thousands of ticks in one go."""


@dataclass(frozen=True, slots=True)
class Job:
    """What one process has to do: its channels, the settings, and where the samples are."""

    register: Register
    settings: CoreSettings
    sources: tuple[Source, ...]


@dataclass
class Outcome:
    """What came of it. `entries` of each group are in the order in which the engine made them."""

    entries: list[JournalEntry]
    samples: int = 0
    late: int = 0
    ticks: int = 0
    last_tick_us: int | None = None


def run(job: Job, on_rows: Callable[[int], None]) -> Outcome:
    """Feed every sample of the job's groups through the engine, exactly as the daemon does."""
    layout = Layout.of(job.register, job.settings)
    engine = Engine(layout)
    outcome = Outcome([])
    for rows in in_time_order(job.sources, layout.series_index(), on_rows):
        for part in _batches(rows):
            flags = engine.accept(part)
            outcome.samples += len(part)
            outcome.late += int(np.count_nonzero(flags & int(Flag.LATE)))
            for tick in engine.ticks():
                outcome.ticks += 1
                outcome.last_tick_us = tick.at_us
                outcome.entries.extend(tick.entries)
    return outcome


def _batches(rows: Rows) -> Iterator[Batch]:
    """Cut rows (in order of time) by number and by span."""
    start = 0
    while start < len(rows):
        limit_us = int(rows.time_us[start]) + BATCH_SPAN_US
        end = min(start + BATCH_ROWS, int(np.searchsorted(rows.time_us, limit_us, side="left")))
        part = rows.take(slice(start, end))
        yield Batch(part.series, part.time_us, part.value, np.zeros(len(part), np.uint8))
        start = end


def split(register: Register, shares: int) -> list[Register]:
    """Deal the groups out so that every share has about as many channels; no share is empty."""
    piles: list[list[str]] = [[] for _ in range(max(1, min(shares, len(register.groups))))]
    loads = [0] * len(piles)
    for name, channels in sorted(register.groups.items(), key=lambda item: (-len(item[1]), item[0])):
        least = loads.index(min(loads))
        piles[least].append(name)
        loads[least] += len(channels)
    return [_only(register, set(pile)) for pile in piles]


def _only(register: Register, groups: set[str]) -> Register:
    return Register(tuple(c for c in register.channels if c.group in groups))


def serve(job: Job, pipe: Connection) -> None:
    """Body of a process: run the job, report rows read, then the outcome or what went wrong."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        pipe.send(run(job, pipe.send))
    except ReplayError as error:
        pipe.send(error)
    except Exception:
        pipe.send(ReplayError(f"a part of the replay failed:\n{traceback.format_exc()}"))
    finally:
        pipe.close()


def merged(outcomes: Sequence[Outcome], register: Register) -> list[JournalEntry]:
    """One journal in canonical order: by time, then group of the register, then as the group made them."""
    order = {name: i for i, name in enumerate(register.groups)}
    entries = [entry for outcome in outcomes for entry in outcome.entries]
    return sorted(entries, key=lambda entry: (entry.at_us, order[entry.group]))
