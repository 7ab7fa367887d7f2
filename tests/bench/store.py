"""How fast the store takes samples, as ratios against the databases' own means in the same run.

    PYTHONPATH=service:tests python tests/bench/store.py [--batches N] [--rows N] [--skip-postgres]

SQLite is compared with the standard library's `executemany` of ready tuples on the same table and settings;
PostgreSQL with binary COPY of ready bytes into a plain table with the same key, batch by batch in turn, and
with COPY into a temporary table and INSERT ... ON CONFLICT DO NOTHING. Commits are durable for both.
What is measured of ours includes turning numpy columns into rows, sorting, and the commit.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import psycopg

sys.path.insert(0, str(Path(__file__).parents[1]))

from hissmark.decode.columns import Batch
from hissmark.store import Limits, Writer, open_store, rows
from hissmark.store.block_bytes import decode, encode
from hissmark.store.blocks import CODES, HOUR_US, LEVELS, Block
from hissmark.store.partitions import tend
from hissmark.store.reader import Reader
from support.postgres import Postgres, find_program

T0 = 1_700_000_000_000_000
CHANNELS = 1000
NAMES = tuple(f"XV-{i}" for i in range(CHANNELS))
URL = "sqlite:///bench.db"


def batches(count: int, size: int, *, shuffled: bool) -> list[Batch]:
    """Levels of 1,000 channels every 10 s, in time order or as a network jumbles them within a batch."""
    rng, made = np.random.default_rng(1), []
    for b in range(count):
        i = np.arange(b * size, (b + 1) * size)
        if shuffled:
            rng.shuffle(i)
        series = (i % CHANNELS).astype(np.int32)
        times = T0 + i // CHANNELS * 10_000_000
        made.append(Batch(series, times, np.round(rng.normal(30, 3, size), 2), np.zeros(size, np.uint8)))
    return made


def rate(write: Callable[[Batch], object], data: list[Batch]) -> float:
    """Rows a second, each batch timed as a whole."""
    start = time.perf_counter()
    for batch in data:
        write(batch)
    return sum(map(len, data)) / (time.perf_counter() - start)


def through_writer(url: str, folder: Path, data: list[Batch]) -> float:
    engine = open_store(url, folder)
    with Writer(engine, NAMES) as writer:

        def write(batch: Batch) -> None:
            with writer.transaction() as tx:
                tx.samples(batch)

        found = rate(write, data)
        assert Reader(engine).sample_count() == sum(map(len, data))
    engine.dispose()
    return found


def plain_sqlite(folder: Path, data: list[Batch]) -> float:
    """`executemany` of tuples made beforehand, one INSERT a row, one commit a batch."""
    engine = open_store(URL, folder)
    connection = engine.raw_connection()
    driver = connection.dbapi_connection
    ready = {
        id(b): list(
            zip(b.time_us.tolist(), b.series.tolist(), b.value.tolist(), b.flags.tolist(), strict=True)
        )
        for b in data
    }

    def write(batch: Batch) -> None:
        driver.execute("BEGIN IMMEDIATE")
        driver.executemany("INSERT OR IGNORE INTO samples VALUES (?,?,?,?)", ready[id(batch)])
        driver.execute("COMMIT")

    found = rate(write, data)
    connection.close()
    engine.dispose()
    return found


def plain_postgres(url: str, folder: Path, data: list[Batch], *, staged: bool) -> float:
    """Binary COPY of ready bytes: straight (no duplicates allowed), or through a temporary table."""
    open_store(url, folder).dispose()
    ready = {id(b): rows.copy_image(rows.Columns.of(b.time_us, b.series, b.value, b.flags)) for b in data}
    table = "arriving" if staged else "samples"
    with psycopg.connect(url.replace("+psycopg", "")) as connection:
        connection.execute("CREATE TEMPORARY TABLE arriving (LIKE samples) ON COMMIT DELETE ROWS")
        connection.commit()

        def write(batch: Batch) -> None:
            with connection.cursor() as cursor:
                with cursor.copy(f"COPY {table} FROM STDIN (FORMAT BINARY)") as copy:
                    copy.write(ready[id(batch)])
                if staged:
                    cursor.execute("INSERT INTO samples SELECT * FROM arriving ON CONFLICT DO NOTHING")
            connection.commit()

        return rate(write, data)


def median(run: Callable[[], float], times: int) -> float:
    return statistics.median(run() for _ in range(times))


def show(what: str, found: float, reference: float | None = None) -> None:
    ratio = "" if reference is None else f"   ratio {found / reference:5.2f}"
    print(f"{what:<62}{found:>12,.0f} rows/s{ratio}", flush=True)


def in_folder(run: Callable[[Path], float]) -> Callable[[], float]:
    def fresh() -> float:
        with tempfile.TemporaryDirectory() as folder:
            return run(Path(folder))

    return fresh


def bench_sqlite(count: int, size: int, times: int) -> None:
    print(f"SQLite, WAL, synchronous FULL, {count} batches of {size:,}, median of {times}")
    ordered, jumbled = batches(count, size, shuffled=False), batches(count, size, shuffled=True)
    plain = median(in_folder(lambda f: plain_sqlite(f, ordered)), times)
    show("  sqlite3 executemany, tuples ready", plain)
    show(
        "  sqlite3 executemany, jumbled", median(in_folder(lambda f: plain_sqlite(f, jumbled)), times), plain
    )
    show("  Writer", median(in_folder(lambda f: through_writer(URL, f, ordered)), times), plain)
    show("  Writer, jumbled", median(in_folder(lambda f: through_writer(URL, f, jumbled)), times), plain)


def in_turn(url: str, folder: Path, data: list[Batch], *, feed: bool) -> tuple[float, float]:
    """Rows a second of our writer and of a plain COPY into a plain table with the same key, batch by batch in
    turn, so that both have the same machine.
    """
    engine = open_store(url, folder)
    tend(engine, int(data[-1].time_us[-1]))
    ready = [rows.copy_image(rows.Columns.of(b.time_us, b.series, b.value, b.flags)) for b in data]
    ours = plain = 0.0
    with (
        psycopg.connect(url.replace("+psycopg", "")) as connection,
        Writer(engine, NAMES, limits=Limits(feed=feed)) as writer,
    ):
        connection.execute(
            "CREATE TABLE plain (time_us bigint NOT NULL, series_id integer NOT NULL, value double precision "
            "NOT NULL, flags smallint NOT NULL, PRIMARY KEY (time_us, series_id))"
        )
        connection.commit()
        for batch, image in zip(data, ready, strict=True):
            begin = time.perf_counter()
            with writer.transaction() as tx:
                tx.samples(batch)
            middle = time.perf_counter()
            with connection.cursor().copy("COPY plain FROM STDIN (FORMAT BINARY)") as copy:
                copy.write(image)
            connection.commit()
            ours, plain = ours + middle - begin, plain + time.perf_counter() - middle
        assert connection.execute("SELECT count(*) FROM samples").fetchone() == (sum(map(len, data)),)
        assert connection.execute("SELECT count(*) FROM samples_rest").fetchone() == (0,)
    engine.dispose()
    total = sum(map(len, data))
    return total / ours, total / plain


def bench_postgres(count: int, size: int, times: int) -> None:
    print(f"PostgreSQL, fsync on, {count} batches of {size:,}, median of {times}")
    ordered = batches(count, size, shuffled=False)
    with Postgres(durable=True) as server, tempfile.TemporaryDirectory() as name:
        folder = Path(name)

        def fresh() -> str:
            return server.url(server.new_database())

        for feed in (True, False):
            pairs = [in_turn(fresh(), folder, ordered, feed=feed) for _ in range(times)]
            ours, plain = sorted(pairs, key=lambda pair: pair[0] / pair[1])[times // 2]
            told = "what arrives kept for followers" if feed else "feed_days = 0"
            show(f"  Writer, days, {told} (wanted: 0.7)", ours, plain)
        show("  plain COPY into a plain table with the same key", plain)
        staged = median(lambda: plain_postgres(fresh(), folder, ordered, staged=True), times)
        show("  COPY to temporary table, ON CONFLICT DO NOTHING", staged, plain)


def bench_reading(count: int, size: int) -> None:
    with tempfile.TemporaryDirectory() as name:
        through_writer(URL, Path(name), batches(count, size, shuffled=False))
        engine = open_store(URL, Path(name))
        start = time.perf_counter()
        read = sum(len(page) for page in Reader(engine).samples_after(NAMES, 0))
        show("SQLite, samples_after, all names", read / (time.perf_counter() - start))
        engine.dispose()


def bench_blocks() -> None:
    """An hour of one group: 60 ticks, 5 channels, levels as float32 computes them."""
    rng = np.random.default_rng(1)
    levels = {n: rng.normal(30, 0.5, (60, 5)).astype(np.float32) for n in LEVELS}
    levels["difference_bar"][:], levels["baseline_db"][:] = 31, 30.1
    codes = {n: np.zeros((60, 5), np.uint8) for n in CODES}
    block = Block(NAMES[:5], T0 // HOUR_US * HOUR_US + np.arange(60) * 60_000_000, **levels, **codes)
    payload = encode(block)
    for name, run in (("encode", lambda: encode(block)), ("decode", lambda: decode(payload))):
        start = time.perf_counter()
        for _ in range(500):
            run()
        print(f"{name} an hour of a group of 5: {(time.perf_counter() - start) / 500 * 1e6:.0f} us")
    raw = sum(block.column(n).nbytes for n in (*LEVELS, *CODES)) + block.time_us.nbytes
    print(f"bytes {len(payload)}, ratio to the columns {len(payload) / raw:.2f}")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--batches", type=int, default=40)
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--times", type=int, default=3)
    parser.add_argument("--skip-postgres", action="store_true")
    parser.add_argument("--skip-sqlite", action="store_true")
    wanted = parser.parse_args()
    if not wanted.skip_sqlite:
        bench_sqlite(wanted.batches, wanted.rows, wanted.times)
        bench_reading(wanted.batches, wanted.rows)
    if not wanted.skip_postgres and find_program("initdb"):
        bench_postgres(wanted.batches, wanted.rows, wanted.times)
    bench_blocks()


if __name__ == "__main__":
    main()
