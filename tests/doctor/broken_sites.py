"""Sites with one thing wrong, made by hand, and what `hissmark doctor` says of them."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from hissmark.daemon.takeover import kinds_of
from hissmark.decode.columns import Batch
from hissmark.doctor.examine import Options, examine_site
from hissmark.doctor.finding import Finding, State
from hissmark.engine.layout import Layout
from hissmark.site.load import load_site
from hissmark.store import Writer, open_store

US = 1_000_000
VALVE = {"kind": "valve", "group": "header"}
REGISTER = [
    {"channel": f"AX-{n}", **VALVE, "valve": f"XV-{n}", "position": n, "upstream_pressure": f"PT-{n}",
     "downstream_pressure": "PT-9", "closed_when": f"ZT-{n} < 2"}
    for n in (1, 2)
]  # fmt: skip
"""Two valves on a header, with everything that a valve can have."""


def now_us() -> int:
    return time.time_ns() // 1000


def write_site(folder: Path, *, more: str = "", register: Sequence[Mapping[str, object]] = REGISTER) -> Path:
    """A site without broker; `more` is added to site.toml."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "site.toml").write_text(f'name = "North works"\n{more}')
    columns = list(dict.fromkeys(key for row in register for key in row))
    rows = [",".join(str(row.get(key, "")) for key in columns) for row in register]
    (folder / "register.csv").write_text("\n".join([",".join(columns), *rows, ""]))
    return folder


def store(folder: Path, samples: Mapping[str, Sequence[float]] = {}, *, behind_s: float = 0.0) -> None:
    """Make the database, and let samples arrive, one of each name every ten seconds until now.

    `behind_s`: how far the clocks of all of them are behind.
    """
    site = load_site(folder)
    engine = open_store(site.store_url, folder)
    layout = Layout.of(site.register, site.core)
    arriving = [0]
    writer = Writer(engine, layout.names, kinds=kinds_of(layout), now_us=lambda: arriving[0])
    count = max(map(len, samples.values()), default=0)
    begin_us = now_us() - 10 * US * count
    for i in range(count):
        arriving[0] = begin_us + i * 10 * US
        with writer.transaction() as tx:
            tx.samples(_at(arriving[0] - int(behind_s * US), i, samples, layout))
    writer.close()
    engine.dispose()


def _at(time_us: int, i: int, samples: Mapping[str, Sequence[float]], layout: Layout) -> Batch:
    index = layout.series_index()
    rows = [(index[name], values[i]) for name, values in samples.items() if i < len(values)]
    series, value = np.array([s for s, _ in rows], np.int32), np.array([v for _, v in rows], np.float64)
    return Batch(series, np.full(len(rows), time_us, np.int64), value, np.zeros(len(rows), np.uint8))


def findings(folder: Path, **options: float) -> list[Finding]:
    return examine_site(folder, now_us(), Options(patience_s=2.0, **options))  # type: ignore[arg-type]


def said(found: list[Finding], area: str, state: State) -> str:
    """What was found in an area, with what to do."""
    return "\n".join(f"{f.what} {f.do}" for f in found if (f.area, f.state) == (area, state))
