"""Figures of the long history, as ratios within one run: size, sealing, ways in and out.

    python tests/bench/history.py                      a few minutes
    python tests/bench/history.py --export 100         export of 100 million samples
    python tests/bench/history.py --only size,csv

What is compared with what stands beside each figure.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from hissmark.decode.columns import Batch
from hissmark.engine.engine import Engine
from hissmark.engine.layout import Layout
from hissmark.engine.readings import Tick
from hissmark.engine.register import Channel, Register
from hissmark.engine.settings import BaselineSettings, CoreSettings
from hissmark.export.formats import Format, encoded
from hissmark.export.questions import Question, What, answer
from hissmark.imports.run import Import, Target, Wanted
from hissmark.store import Limits, Writer, open_for_reading, open_store
from hissmark.store.archive import sample_files
from hissmark.store.archive.catalogue import DAY_US
from hissmark.store.archive.place import Folder
from hissmark.store.archive.seal import Sealer
from hissmark.store.block_bytes import encode
from hissmark.store.blocks import HOUR_US
from hissmark.store.coarse import sum_up
from hissmark.store.reader import Reader
from hissmark.store.rows import Columns
from hissmark.store.ticked import blocks_of

D0 = 1_772_323_200_000_000
URL = "sqlite:///data/hissmark.db"


def names_of(count: int) -> tuple[str, ...]:
    return tuple(f"AE-{i:04d}" for i in range(count))


def groups_of(names: tuple[str, ...], size: int = 25) -> dict[str, str]:
    return {name: f"group {i // size}" for i, name in enumerate(names)}


CLOCKS = {
    "at a random millisecond of four seconds": "random",
    "each at its own millisecond, 20 ms more or less": "own",
    "on the second": "grid",
}


def day(channels: int, every_s: float, number: int = 0, clocks: str = "random") -> Batch:
    """A day of samples in order of time: levels with two digits, clocks that tick to the millisecond."""
    rng = np.random.default_rng(number)
    steps = int(86_400 / every_s)
    at = D0 + number * DAY_US + (np.arange(steps, dtype=np.int64) * int(every_s * 1e6))[:, None]
    shape = (steps, channels)
    if clocks == "random":
        spread = rng.integers(0, int(every_s * 400), shape) * 1000
    elif clocks == "own":
        own = np.random.default_rng(0).integers(20, int(every_s * 1000) - 20, channels)
        spread = (own + rng.integers(-20, 21, shape)) * 1000
    else:
        spread = np.zeros(shape, np.int64)
    value = 25.0 + np.arange(channels) % 13 + np.cumsum(rng.normal(0, 0.02, (steps, channels)), axis=0)
    value = np.round(value + rng.normal(0, 0.5, (steps, channels)), 2)
    series = np.broadcast_to(np.arange(channels, dtype=np.int32), (steps, channels))
    n = steps * channels
    times = np.broadcast_to(at + spread, (steps, channels)).reshape(n)
    return Batch(series.reshape(n).copy(), times.copy(), value.reshape(n), np.zeros(n, np.uint8))


@contextmanager
def site(channels: int, feed: bool = True) -> Iterator[tuple[Path, tuple[str, ...], Writer]]:
    names = names_of(channels)
    with tempfile.TemporaryDirectory(prefix="hissmark-bench-") as folder:
        engine = open_store(URL, Path(folder))
        kinds = dict.fromkeys(names, "level")
        with Writer(engine, names, kinds=kinds, limits=Limits(feed=feed)) as writer:
            yield Path(folder), names, writer
        engine.dispose()


def filed(
    folder: Path, names: tuple[str, ...], days: int, channels: int, every_s: float, clocks: str = "random"
) -> None:
    """Days straight into the archive."""
    store = open_store(URL, folder)
    with store.connect() as connection:
        from hissmark.store import series

        ids = {row.name: row.id for row in series.read(connection)}
    table = np.array([ids[name] for name in names], np.int32)
    sealer = Sealer(store, Folder(folder / "archive"), groups_of(names), lambda: D0, rest=0)
    for number in range(days):
        b = day(channels, every_s, number, clocks)
        sealer.add(D0 + number * DAY_US, Columns(b.time_us, table[b.series], b.value, b.flags), lambda: None)
    store.dispose()


def timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def took(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds, and seconds of the processor: on a busy machine only the second tell much."""
    begin = time.process_time()
    seconds = timed(work)
    return seconds, time.process_time() - begin


def show(what: str, figure: str) -> None:
    print(f"{what:78} {figure}", flush=True)


def size() -> None:
    """Bytes a sample against plain Parquet (pyarrow's defaults, zstd) of the same columns."""
    names = names_of(25)
    with tempfile.TemporaryDirectory() as folder:
        for digits in (1, 2, None):
            b = day(25, 10.0)
            value = (
                np.random.default_rng(9).normal(30, 2, len(b))
                if digits is None
                else np.round(b.value, digits)
            )
            ours, plain = Path(folder) / "ours", Path(folder) / "plain"
            sample_files.write(ours, Columns(b.time_us, b.series, value, b.flags), dict(enumerate(names)))
            pq.write_table(pq.read_table(ours), plain, compression="zstd")
            a, c = (os.path.getsize(path) / len(b) for path in (ours, plain))
            kind = "full doubles" if digits is None else f"{digits} decimals"
            show(
                f"bytes a sample, {kind}: ours, plain Parquet zstd, ratio (<= 1.3)",
                f"{a:.2f} {c:.2f} {a / c:.2f}",
            )


class Gated(Sealer):
    """Seals only while the gate is open, so that ingest with and without it can be measured in turn."""

    gate = threading.Event()

    def _paused(self, worked_s: float) -> None:
        super()._paused(worked_s)
        self.gate.wait()


def sealing(turns: int = 12) -> None:
    """Ingest while a day of 1,000 channels is sealed, against ingest alone, turn and turn about."""
    channels = 1000
    with site(channels) as (folder, names, writer):
        b = day(channels, 20.0)
        for begin in range(0, len(b), 100_000):
            put(writer, b, slice(begin, begin + 100_000))
        coming = day(channels, 10.0, 5)
        sealer = Gated(open_store(URL, folder), Folder(folder / "archive"), groups_of(names), lambda: D0)
        thread = threading.Thread(target=sealer.seal_day, args=(D0,), daemon=True)
        thread.start()
        took: dict[bool, list[float]] = {False: [], True: []}
        for turn in range(2 * turns):
            beside = turn % 2 == 1
            (sealer.gate.set if beside else sealer.gate.clear)()
            time.sleep(0.1)  # what has begun is over
            took[beside].append(timed(lambda: rounds(writer, coming, turn * 200_000)))  # noqa: B023
        going_on = thread.is_alive()
        alone, beside_s = np.median(took[False]), np.median(took[True])
        slower = 100 * (np.median(np.array(took[True]) / np.array(took[False])) - 1)
        show(
            "0.2 M samples in alone, while a day of 4.3 M is sealed, s; slower by (< 10 %)",
            f"{alone:.2f} {beside_s:.2f} {slower:.0f} % (went on: {going_on})",
        )
        sealer.gate.set()
        sealer._rest = 0
        thread.join()


def rounds(writer: Writer, b: Batch, begin: int) -> None:
    for at in range(begin, begin + 200_000, 20_000):
        put(writer, b, slice(at, at + 20_000))


def put(writer: Writer, b: Batch, which: slice) -> None:
    with writer.transaction() as tx:
        tx.samples(Batch(b.series[which], b.time_us[which], b.value[which], b.flags[which]))


def feed() -> None:
    """What keeping arrivals costs the ingest."""
    found: dict[bool, list[tuple[float, float]]] = {False: [], True: []}
    for turn in range(6):
        kept = turn % 2 == 1
        with site(1000, feed=kept) as (_, _, writer):
            b = day(1000, 60.0)
            found[kept].append(
                took(lambda: [put(writer, b, slice(a, a + 20_000)) for a in range(0, len(b), 20_000)])  # noqa: B023
            )
    without, with_ = np.min(found[False], axis=0), np.min(found[True], axis=0)
    slower = 100 * (with_ / without - 1)
    show(
        "ingest of 1.44 M samples without, with the feed, s; slower by",
        f"{without[0]:.2f} {with_[0]:.2f} {slower[0]:.0f} % (of processor time {slower[1]:.0f} %)",
    )


def disk() -> None:
    """Bytes on disk a sample, all told: the archive with its sums, the hourly blocks of the ticks with the
    pages of the database they lie in, and what the database has beside them.
    """
    channels, every_s, days = 100, 10.0, 2
    samples = channels * 86_400 / every_s
    for told, clocks in CLOCKS.items():
        with site(channels) as (folder, names, writer):
            empty = _vacuumed(folder)
            filed(folder, names, days, channels, every_s, clocks)
            parts = [
                sum(p.stat().st_size for p in (folder / "archive" / kind).rglob("*.parquet")) / days / samples
                for kind in ("samples", "minute", "hour")
            ]
            parts.append(ticks_bytes(writer, names, every_s) / samples)
            of_database = (
                _vacuumed(folder) - empty
            ) / samples  # a day of ticks, two days of records of files
            parts.append(max(0.0, of_database - parts[-1]))
            show(
                f"bytes a sample, clocks {told}: samples, minutes, hours, ticks, rest; all (<= 6)",
                " ".join(f"{part:.2f}" for part in parts) + f"; {sum(parts):.2f}",
            )


def _vacuumed(folder: Path) -> int:
    """Bytes of the database without free pages."""
    with closing(sqlite3.connect(folder / "data" / "hissmark.db")) as connection:
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        pages, free = (
            connection.execute(f"PRAGMA {n}").fetchone()[0] for n in ("page_count", "freelist_count")
        )
        return (pages - free) * int(connection.execute("PRAGMA page_size").fetchone()[0])


def ticks_bytes(writer: Writer, names: tuple[str, ...], every_s: float) -> float:
    """A day of ticks, stored; it is made of three hours that are judged once the backgrounds are learned.

    With them, all that a day of judging leaves in the database for good: blocks, sums over hours and days.
    """
    groups = groups_of(names)
    rows = [Channel(n, n, "valve", groups[n], i % 25, valve=f"XV-{i}") for i, n in enumerate(names)]
    quick = CoreSettings(baseline=BaselineSettings(learn_s=3600, learn_windows=5))
    layout = Layout.of(Register.of(rows), quick)
    engine, b = Engine(layout), day(len(names), every_s)
    index, found = layout.series_index(), list[Tick]()
    heard = np.array([index[name] for name in names], np.int32)
    for hour in range(6):
        inside = slice(
            *np.searchsorted(b.time_us // HOUR_US, [D0 // HOUR_US + hour, D0 // HOUR_US + hour + 1])
        )
        engine.accept(Batch(heard[b.series[inside]], b.time_us[inside], b.value[inside], b.flags[inside]))
        found += engine.advance()
    total = 0
    for hour in range(24):
        ticks = [t for t in found if (t.at_us - D0) // HOUR_US == 2 + hour % 3]
        for group, block in blocks_of(ticks, layout):
            shifted = block.time_us + (hour - 2 - hour % 3) * HOUR_US
            moved = replace(block, time_us=shifted)
            total += len(encode(moved))
            with writer.transaction() as tx:
                tx.ticks([(group, moved)])
    sum_up(writer._engine, D0 + 30 * HOUR_US)
    return total


def export(millions: float) -> None:
    """As Arrow stream, against reading the same Parquet files with pyarrow."""
    channels, every_s = 1000, 10.0
    days = max(1, round(millions * 1e6 / (channels * 86_400 / every_s)))
    with site(channels) as (folder, names, _):
        filed(folder, names, days, channels, every_s)
        reader = Reader(open_for_reading(URL, folder), Folder(folder / "archive"))
        paths = sorted((folder / "archive" / "samples").rglob("*.parquet"))
        columns = ["time", "name", "value"]

        def plain() -> int:
            return sum(pq.ParquetFile(p, memory_map=True).read(columns).num_rows for p in paths)

        def ours() -> int:
            found = answer(reader, Question(What.RAW, names, 0, 1 << 52))
            return sum(len(piece) for piece in encoded(found.batches, found.schema, Format.ARROW))

        rows = plain()
        turns = [(took(plain), took(ours)) for _ in range(5)]
        direct, arrow = np.min(turns, axis=0)
        show(
            f"{rows / 1e6:.0f} M samples as Arrow, reading the files with pyarrow, M/s; ratio (>= 0.5)",
            f"{rows / arrow[0] / 1e6:.1f} {rows / direct[0] / 1e6:.1f} {direct[0] / arrow[0]:.2f}"
            f" (of processor time {direct[1] / arrow[1]:.2f})",
        )


def valve_year() -> None:
    """One channel of 25 in its group, a sample a minute for a year, as CSV."""
    with site(25) as (folder, names, _):
        filed(folder, names, 365, 25, 60.0)
        reader = Reader(open_for_reading(URL, folder), Folder(folder / "archive"))

        def ours() -> int:
            found = answer(reader, Question(What.RAW, names[7:8], 0, 1 << 52))
            return sum(piece.count(b"\r\n") for piece in encoded(found.batches, found.schema, Format.CSV))

        rows = ours() - 1
        show(
            f"one valve-year ({rows:,} samples) as CSV, s (<= 1)", f"{min(timed(ours) for _ in range(3)):.2f}"
        )


def importing() -> None:
    """Parquet, long form, into archive and database rows: M samples/s."""
    channels = 200
    names = names_of(channels)
    rows = [Channel(n, n, "valve", f"group {i // 25}", i % 25, valve=f"XV-{i}") for i, n in enumerate(names)]
    layout = Layout.of(Register.of(rows), CoreSettings())
    with tempfile.TemporaryDirectory() as work:
        folder = Path(work)
        parts = [day(channels, 10.0, n) for n in range(3)]
        series = np.concatenate([p.series for p in parts])
        table = pa.table({
            "time": pa.array(np.concatenate([p.time_us for p in parts]), pa.timestamp("us", tz="UTC")),
            "name": pa.DictionaryArray.from_arrays(pa.array(series), pa.array(names)),
            "value": np.concatenate([p.value for p in parts]),
        })  # fmt: skip
        pq.write_table(table, folder / "in.parquet")
        store = open_store(URL, folder)
        target = Target(
            store, Folder(folder / "archive"), layout, dict.fromkeys(names, "level"), 3, True, lambda *_: []
        )
        work_ = Import(target, D0 + 90 * DAY_US, lambda *_: None)
        seconds = timed(lambda: work_.run([folder / "in.parquet"], Wanted()))
        again = timed(lambda: work_.run([folder / "in.parquet"], Wanted()))
        n = table.num_rows
        show(
            f"import of {n / 1e6:.1f} M samples from Parquet, M/s (>= 1); the same again, M/s",
            f"{n / seconds / 1e6:.2f} {n / again / 1e6:.2f}",
        )
        store.dispose()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--export", type=float, default=17.0, metavar="MILLIONS")
    parser.add_argument("--only", default="size,disk,csv,import,export,feed,seal")
    chosen = parser.parse_args()
    work = {
        "size": size, "disk": disk, "csv": valve_year, "import": importing, "feed": feed, "seal": sealing,
        "export": lambda: export(chosen.export),
    }  # fmt: skip
    for name in chosen.only.split(","):
        work[name]()


if __name__ == "__main__":
    main()
