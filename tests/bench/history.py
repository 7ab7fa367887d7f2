"""How long the service needs to open a valve on five years of history.

PYTHONPATH=service python tests/bench/history.py [--years 5]

One group of six channels with a tick a minute, a leak a year, twenty thousand journal entries; SQLite. The
store is written as the service writes it (an hour a block) and summed up by its housekeeping. Then the page's
questions are put to the real web application over HTTP, thirty times each.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.judge.verdicts import Explanation, Reason, Verdict
from hissmark.publish.times import rfc3339
from hissmark.store.blocks import HOUR_US, SOURCE, Block, encode
from hissmark.store.coarse import sum_up
from hissmark.store.records import StoredBlock
from hissmark.web import create_app
from support.browser import serving
from support.invented import QUIET, START_US, Invented, SetClock, register_of

LIMIT_MS = 300
TIMES = 30
CHANNELS = 6
SPANS = {"24 h": 1, "7 d": 7, "30 d": 30, "1 y": 365}


def hour_of(rng: np.random.Generator, start_us: int, names: tuple[str, ...], leak: bool) -> Block:
    """Sixty ticks: levels with noise in tenths of a decibel on a slow yearly swing; the third valve leaks."""
    shape = (60, CHANNELS)
    swing = 2.0 * np.sin(2 * np.pi * start_us / (365.25 * 24 * HOUR_US))
    baseline = np.round(24 + swing + np.zeros(shape), 1).astype(np.float32)
    rise = np.round(rng.normal(0, 0.4, shape), 1).astype(np.float32)
    verdict, reason, role = (np.zeros(shape, np.uint8) for _ in range(3))
    if leak:
        rise += np.array([3, 9, 14, 8, 3, 1], np.float32)
        verdict[:, :5], verdict[:, 2] = Verdict.SPILL, Verdict.PASSING
        reason[:, :5], reason[:, 2] = Reason.HEARD_FROM_THE_SOURCE, Reason.HIGHEST_STEADY_RISE
        role[:, 2] = SOURCE
    level = baseline + rise
    columns = {
        "level_db": level, "l50_db": level + 1, "l10_db": level + 3, "baseline_db": baseline, "rise_db": rise,
        "expected_db": baseline, "difference_bar": np.full(shape, 31, np.float32), "verdict": verdict,
        "reason": reason, "open_": np.zeros(shape, np.uint8), "scale_db": np.full(shape, 0.5, np.float32),
        "health": np.zeros(shape, np.uint8), "baseline_state": np.ones(shape, np.uint8),
        "steady": np.ones(shape, np.uint8), "age_s": np.full(shape, 5, np.uint16), "role": role,
    }  # fmt: skip
    kind = Explanation.ONE_PASSING if leak else Explanation.NOTHING
    of_group = {
        "margin_db": np.full(60, 8, np.float32), "odds": np.full(60, 9, np.float32),
        "explanation": np.full(60, kind, np.uint8), "next_explanation": np.zeros(60, np.uint8),
    }  # fmt: skip
    times = start_us + np.arange(60) * 60_000_000
    return Block.of(names, times, columns, of_group)


def fill(plant: Invented, years: int) -> None:
    """An hour a block, a leak in the third month of each year."""
    rng, group = np.random.default_rng(1), plant.layout.group_names[0]
    names = tuple(c.name for c in plant.layout.channels)
    hours = years * 8766
    first_us = START_US // HOUR_US * HOUR_US - hours * HOUR_US
    for begin in range(0, hours, 2000):
        blocks = []
        for hour in range(begin, min(begin + 2000, hours)):
            made = hour_of(rng, first_us + hour * HOUR_US, names, leak=1440 <= hour % 8766 < 2160)
            blocks.append(StoredBlock(group, int(made.time_us[0]), 60, encode(made)))
        with plant.writer.transaction() as tx:
            tx.blocks(blocks)


def write_journal(plant: Invented, years: int, entries: int = 20_000) -> None:
    """Alarms come and go evenly."""
    step_us = years * 8766 * HOUR_US // entries
    for begin in range(0, entries, 2000):
        rows = [_entry(plant, START_US - (entries - i) * step_us, i) for i in range(begin, begin + 2000)]
        with plant.writer.transaction() as tx:
            tx.journal(rows)


def _entry(plant: Invented, at_us: int, i: int) -> JournalEntry:
    valve = plant.layout.channels[i // 2 % 5].subject
    raised = i % 2 == 0
    return JournalEntry(
        at_us, valve, plant.layout.group_names[0], AlarmKind.PASSING,
        AlarmEvent.RAISED if raised else AlarmEvent.CLEARED,
        AlarmState.UNACKNOWLEDGED if raised else AlarmState.RTN_UNACKNOWLEDGED, Priority.HIGH, 14.0, 8.0,
        "highest steady rise",
    )  # fmt: skip


def ask_ms(url: str) -> list[float]:
    """Milliseconds of each question, the answer read to its end."""
    took = []
    for _ in range(TIMES):
        began_s = time.perf_counter()
        with urllib.request.urlopen(url, timeout=60) as answer:
            answer.read()
        took.append(1000 * (time.perf_counter() - began_s))
    return sorted(took)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--years", type=int, default=5)
    years = parser.parse_args().years
    with tempfile.TemporaryDirectory() as folder:
        plant = Invented(Path(folder), register_of({"Steam header B": 5}), clock=SetClock(START_US))
        began_s = time.perf_counter()
        fill(plant, years)
        write_journal(plant, years)
        print(f"{years} years written in {time.perf_counter() - began_s:.0f} s")
        began_s = time.perf_counter()
        hours = 0
        while more := sum_up(plant.writer._engine, START_US, longest_s=60):
            hours += more
        took_s = time.perf_counter() - began_s
        print(f"{hours} hours summed up in {took_s:.0f} s, {1000 * took_s / max(1, hours):.1f} ms each")
        plant.tick({"Steam header B": QUIET})
        measure(plant, years)
        plant.close()


def measure(plant: Invented, years: int) -> None:
    """The questions that opening the page asks, for each span that it offers."""
    worst = 0.0
    with serving(create_app(plant.context)) as server:
        base = f"{server.url}/api/v1/valves/XV-103"
        questions = {"what is believed now": base}
        for name, days in {**SPANS, f"{years} y": round(years * 365.25)}.items():
            since = rfc3339(START_US - days * 24 * HOUR_US)
            questions[f"history of {name}"] = (
                f"{base}/history?from={since}&to={rfc3339(START_US)}&points=2000"
            )
        then = rfc3339(START_US - years * 180 * 24 * HOUR_US)
        questions["the overview half of it ago"] = f"{server.url}/api/v1/now?at={then}"
        for name, url in questions.items():
            took = ask_ms(url)
            worst = max(worst, took[int(0.95 * TIMES)])
            print(f"{name:30} median {took[TIMES // 2]:6.1f} ms   95 % {took[int(0.95 * TIMES)]:6.1f} ms")
    print(f"worst 95 %: {worst:.0f} ms (wanted: {LIMIT_MS})")


if __name__ == "__main__":
    main()
