"""Golden scenarios: a site folder, what arrives, and the alarms that people must and must not see.

Each case is a folder `<name>/{site.toml, register.csv, input.jsonl, expected.jsonl}`. An expected line gives
valve, alarm, event, state and priority, and between which times it has to happen; nothing else may be in the
journal.
"""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.replay.journal import lines
from hissmark.site.load import load_site

HERE = Path(__file__).parent
CASES = sorted(p.parent.name for p in HERE.glob("*/expected.jsonl"))
SAID = ("valve", "alarm", "event", "state", "priority")


def read(path: Path) -> list[Any]:
    return [json.loads(row) for row in path.read_text("utf-8").splitlines() if row.strip()]


def arriving(path: Path, index: dict[str, int]) -> Batch:
    rows = [
        (index[name], round(datetime.fromisoformat(row["time"]).timestamp()) * 1_000_000, value)
        for row in read(path)
        for name, value in row["values"].items()
    ]
    series, time_us, value = zip(*rows, strict=True)
    return Batch(
        np.array(series, np.int32),
        np.array(time_us, np.int64),
        np.array(value),
        np.zeros(len(rows), np.uint8),
    )


def journal(case: str) -> list[Any]:
    """What the alarm journal says of a case, as the outside reads it."""
    site = load_site(HERE / case)
    layout = Layout.of(site.register, site.core)
    engine = Engine(layout)
    engine.accept(arriving(HERE / case / "input.jsonl", layout.series_index()))
    return [json.loads(line) for line in lines(e for tick in engine.ticks() for e in tick.entries)]


@pytest.mark.parametrize("case", CASES)
def test_case(case: str) -> None:
    wanted, said = read(HERE / case / "expected.jsonl"), journal(case)
    assert [{k: e[k] for k in SAID} for e in said] == [{k: w[k] for k in SAID} for w in wanted]
    for entry, want in zip(said, wanted, strict=True):
        assert want["from"] <= entry["at"] <= want["to"], f"{want['valve']} {want['event']} at {entry['at']}"


def test_every_case_is_drawn_as_it_stands() -> None:
    """The inputs in the folder are those that `draw.py` draws."""
    import importlib.util

    spec = importlib.util.spec_from_file_location("draw_cases", HERE / "draw.py")
    assert spec is not None
    assert spec.loader is not None
    draw = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(draw)
    assert sorted(draw.CASES) == CASES
    for case in CASES:
        assert (HERE / case / "input.jsonl").read_text("utf-8").splitlines() == draw.lines(case)
