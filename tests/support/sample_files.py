"""Writing the same samples as files of every kind."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from hissmark.decode.columns import Batch
from hissmark.demo.plant import Plant

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def rfc3339(time_us: int) -> str:
    return (EPOCH + timedelta(microseconds=time_us)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def picked(batch: Batch, rows: np.ndarray) -> Batch:
    return Batch(batch.series[rows], batch.time_us[rows], batch.value[rows], batch.flags[rows])


def of_kind(plant: Plant, batch: Batch, level: bool) -> Batch:
    """Only the levels, or only the process values."""
    kinds = np.array([s.is_level for s in plant.series])
    return picked(batch, np.flatnonzero(kinds[batch.series] == level))


def write_parquet(path: Path, names: tuple[str, ...], batch: Batch, time_type: str = "timestamp") -> Path:
    """`time_type`: timestamp (µs), ns (whole nanoseconds), or text (RFC 3339)."""
    time = {
        "timestamp": lambda: pa.array(batch.time_us, pa.timestamp("us", "UTC")),
        "ns": lambda: pa.array(batch.time_us * 1000),
        "text": lambda: pa.array([rfc3339(t) for t in batch.time_us.tolist()]),
    }[time_type]()
    name = pa.array([names[s] for s in batch.series.tolist()])
    table = pa.table({"time": time, "name": name, "value": batch.value})
    pq.write_table(table, path, row_group_size=50_000)
    return path


def write_csv(path: Path, names: tuple[str, ...], batch: Batch, nanoseconds: bool = False) -> Path:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time", "name", "value"])
        for series, time_us, value in zip(
            batch.series.tolist(), batch.time_us.tolist(), batch.value.tolist(), strict=True
        ):
            writer.writerow([time_us * 1000 if nanoseconds else rfc3339(time_us), names[series], value])
    return path
