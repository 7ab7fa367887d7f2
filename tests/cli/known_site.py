"""A site that has run, with contents known to the last figure, and the command run upon it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from hissmark.alarms.journal import AlarmEvent, AlarmKind, AlarmState, JournalEntry, Priority
from hissmark.cli.moments import now_us
from hissmark.decode.columns import Batch
from hissmark.judge.verdicts import Reason, Verdict
from hissmark.store import Writer, open_store
from hissmark.store.blocks import Block
from support.command import hissmark as hissmark
from support.command import hissmark_process as hissmark_process

MIN = 60_000_000
START_US = 1_772_330_400_000_000  # 2026-03-01T02:00:00Z
TICKS = 180
SAMPLES = 5000

SETTINGS = 'name = "North works"\n[store]\nurl = "sqlite:///data/hissmark.db"\n'
REGISTER = """\
channel,source,kind,valve,group,position
AX-1,radio/1,valve,XV-101,panel,1
AX-2,,valve,XV-102,panel,2
AX-9,,reference,,panel,3
AX-3,,valve,XV-201,header,1
AX-4,,valve,XV-202,header,2
"""
NAMES = ("radio/1", "radio/1/L90", "AX-2", "AX-9", "PT-1")


def samples() -> Batch:
    """Of radio/1 one every 10 s, and one L90 of its own; one of AX-2 between two seconds; a process value."""
    n = SAMPLES
    series = np.array([0] * n + [1, 2, 4], np.int32)
    times = np.array(
        [START_US + i * 10_000_000 for i in range(n)] + [START_US, START_US + 1_250_000, START_US]
    )
    values = np.array([21 + i / 8 for i in range(n)] + [20.5, 1 / 3, 31.0], np.float64)
    return Batch(series, times.astype(np.int64), values, np.zeros(len(series), np.uint8))


def entry(
    minute: int, valve: str, kind: AlarmKind, event: AlarmEvent, state: AlarmState, **more: Any
) -> JournalEntry:
    group = "panel" if valve.startswith("XV-1") else "header"
    values = {"rise_db": 14.25, "margin_db": 8.0, "reason": "highest steady rise", **more}
    return JournalEntry(START_US + minute * MIN, valve, group, kind, event, state, Priority.HIGH, **values)


def journal() -> list[JournalEntry]:
    fault = {"rise_db": None, "margin_db": None, "reason": "no fresh data"}
    passing, sensor = AlarmKind.PASSING, AlarmKind.SENSOR_FAULT
    return [
        entry(10, "XV-201", sensor, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED, **fault),
        entry(
            20, "XV-201", sensor, AlarmEvent.ACKNOWLEDGED, AlarmState.ACKNOWLEDGED, operator="Ada", **fault
        ),
        entry(30, "XV-201", sensor, AlarmEvent.CLEARED, AlarmState.NORMAL, **fault),
        entry(62, "XV-101", passing, AlarmEvent.RAISED, AlarmState.UNACKNOWLEDGED),
    ]


def panel_ticks() -> Block:
    """A tick a minute; AX-1 rises by 14 dB after an hour, its first tick has no baseline yet."""
    channels = ("AX-1", "AX-2", "AX-9")
    shape = (TICKS, len(channels))
    level = np.full(shape, 21.0, np.float32)
    level[60:, 0] = 35.25
    baseline = np.full(shape, 21.0, np.float32)
    baseline[0, 0] = np.nan
    verdict = np.full(shape, int(Verdict.QUIET), np.uint8)
    verdict[60:, 0] = int(Verdict.PASSING)
    reason = np.full(shape, int(Reason.AT_BACKGROUND), np.uint8)
    reason[60:, 0] = int(Reason.HIGHEST_STEADY_RISE)
    times = START_US + (np.arange(TICKS, dtype=np.int64) + 1) * MIN
    columns = {
        "level_db": level,
        "l50_db": level + 1,
        "l10_db": level + 2,
        "baseline_db": baseline,
        "rise_db": level - baseline,
        "expected_db": level,
        "difference_bar": np.full(shape, np.nan, np.float32),
        "verdict": verdict,
        "reason": reason,
        "open_": np.zeros(shape, np.uint8),
    }
    return Block(channels, times, **columns)


def channel_reading(name: str, valve: str | None, verdict: str, reason: str, rise: float) -> dict[str, Any]:
    return {
        "channel": name,
        "kind": "valve" if valve else "reference",
        "valve": valve,
        "position": 1,
        "distance_m": None,
        "level_db": 21 + rise,
        "l50_db": 22 + rise,
        "l10_db": 23 + rise,
        "baseline_db": 21.0,
        "scale_db": 0.5,
        "rise_db": rise,
        "leak_db": None,
        "expected_db": None,
        "verdict": verdict,
        "reason": reason,
        "reason_sentence": f"Because of {reason}.",
        "baseline_state": "tracking",
        "health": "well",
        "open": False,
        "difference_bar": None,
        "steady": True,
        "last_heard": "2026-03-01T05:00:00Z",
        "interval_s": 10.0,
        "basis": "sound alone",
    }


def panel_reading() -> dict[str, Any]:
    return {
        "group": "panel",
        "at": "2026-03-01T05:00:00Z",
        "explanation": {
            "kind": "one passing",
            "source": "XV-101",
            "second": None,
            "margin_db": 8.0,
            "odds": 20.0,
            "sentence": "",
        },
        "next_explanation": {"kind": "one passing", "source": "XV-102"},
        "channels": [
            channel_reading("AX-1", "XV-101", "passing", "highest steady rise", 14.25),
            channel_reading("AX-2", "XV-102", "spill", "heard from the source", 8.0),
            channel_reading("AX-9", None, "quiet", "at background", 0.5),
        ],
    }


def add_entries(folder: Path, *entries: JournalEntry) -> None:
    """More journal, as the service would have written it."""
    engine = open_store("sqlite:///data/hissmark.db", folder)
    with Writer(engine, NAMES) as writer, writer.transaction() as tx:
        tx.journal(entries)
    engine.dispose()


def add_recent_sample(folder: Path, age_s: float) -> None:
    """One sample of AX-2, `age_s` seconds old by this machine's clock."""
    engine = open_store("sqlite:///data/hissmark.db", folder)
    with Writer(engine, NAMES) as writer, writer.transaction() as tx:
        time_us = np.array([now_us() - int(age_s * 1e6)], np.int64)
        tx.samples(Batch(np.array([2], np.int32), time_us, np.array([21.0]), np.zeros(1, np.uint8)))
    engine.dispose()
