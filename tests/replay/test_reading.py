"""Reading files of samples: every kind gives the same rows, and every bad row is accounted for."""

from __future__ import annotations

import gzip
from datetime import datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from hissmark.decode.columns import RejectReason
from hissmark.demo.plant import Plant
from hissmark.demo.story import S
from hissmark.replay.convert import Converter
from hissmark.replay.files import Opened
from hissmark.replay.rows import MAX_BAD_ROWS, ReplayError, Rows, Tally
from hissmark.replay.sources import scan
from support.sample_files import write_csv, write_parquet

START_US = 1_790_000_000 * S
ALL = (0, 1 << 62)


def read(path: Path, index: dict[str, int], window: tuple[int, int] = ALL) -> tuple[Rows, Tally]:
    converter, tally, opened = Converter(index, *window), Tally(), Opened(path)
    rows = Rows.joined([converter.counted(chunk, tally) for chunk in opened.chunks()])
    opened.count_malformed(tally)
    return rows, tally


def text(path: Path, *lines: str) -> Path:
    path.write_text("\n".join(["time,name,value", *lines]) + "\n")
    return path


@pytest.mark.parametrize("kind", ["timestamp", "ns", "text", "csv", "csv-ns", "csv.gz"])
def test_every_kind_of_file_gives_the_same_rows(tmp_path: Path, kind: str) -> None:
    plant = Plant(1)
    batch = plant.samples(START_US, START_US + 300 * S)
    if kind.startswith("csv"):
        path = write_csv(tmp_path / "samples.csv", plant.names, batch, nanoseconds=kind == "csv-ns")
    else:
        path = write_parquet(tmp_path / "samples.parquet", plant.names, batch, kind)
    if kind == "csv.gz":
        packed = tmp_path / "samples.csv.gz"
        packed.write_bytes(gzip.compress(path.read_bytes()))
        path = packed
    rows, tally = read(path, {name: i for i, name in enumerate(plant.names)})
    assert np.array_equal(rows.series, batch.series)
    assert np.array_equal(rows.time_us, batch.time_us)
    assert np.array_equal(rows.value, batch.value)
    assert (tally.rows, tally.good, tally.bad) == (len(batch), len(batch), 0)


@pytest.mark.parametrize(
    "written",
    [
        "2026-03-01T02:14:00Z",
        "2026-03-01T02:14:00.000000000Z",
        "2026-03-01t02:14:00z",
        "2026-03-01 02:14:00+00:00",
        "2026-03-01T03:44:00+01:30",
        " 2026-03-01T02:14:00Z",
        "1772331240000000000",
    ],
)
def test_times_as_rfc_3339_writes_them(tmp_path: Path, written: str) -> None:
    """RFC 3339, section 5.6 (lower case and a blank instead of T are allowed), against Python's datetime."""
    rows, _ = read(text(tmp_path / "a.csv", f"{written},A,1.5"), {"A": 0})
    expected = datetime.fromisoformat("2026-03-01T02:14:00+00:00").timestamp() * 1e6
    assert rows.time_us.tolist() == [expected]


BAD = [
    ("2026-03-01T02:14:00,A,1", RejectReason.BAD_TIME),  # no zone
    ("2026-13-01T02:14:00Z,A,1", RejectReason.BAD_TIME),
    ("2026-02-30T02:14:00Z,A,1", RejectReason.BAD_TIME),
    ("1970-01-01T00:00:00Z,A,1", RejectReason.BAD_TIME),
    ("2100-01-01T00:00:00Z,A,1", RejectReason.BAD_TIME),
    ("1772331240,A,1", RejectReason.BAD_TIME),  # seconds, not nanoseconds
    ("yesterday,A,1", RejectReason.BAD_TIME),
    (",A,1", RejectReason.BAD_TIME),
    ("2026-03-01T02:14:00Z,,1", RejectReason.BAD_NAME),
    ("2026-03-01T02:14:00Z,A,", RejectReason.MISSING_VALUE),
    ("2026-03-01T02:14:00Z,A,loud", RejectReason.WRONG_TYPE),
    ("2026-03-01T02:14:00Z,A,true", RejectReason.WRONG_TYPE),
    ("2026-03-01T02:14:00Z,A,0x10", RejectReason.WRONG_TYPE),
    ("2026-03-01T02:14:00Z,A,NaN", RejectReason.NOT_FINITE),
    ("2026-03-01T02:14:00Z,A,-inf", RejectReason.NOT_FINITE),
    ("2026-03-01T02:14:00Z,A,1e999", RejectReason.NOT_FINITE),
    ("2026-03-01T02:14:00Z,A,1e10", RejectReason.OUT_OF_RANGE),
    ("2026-03-01T02:14:00Z,A", RejectReason.WRONG_TYPE),
    ("2026-03-01T02:14:00Z,A,1,2", RejectReason.WRONG_TYPE),
]


@pytest.mark.parametrize(("line", "reason"), BAD)
def test_a_bad_row_is_named_with_its_reason_and_place(
    tmp_path: Path, line: str, reason: RejectReason
) -> None:
    good = "2026-03-01T02:14:00Z,A,1"
    rows, tally = read(text(tmp_path / "a.csv", good, line, good), {"A": 0})
    assert len(rows) == 2
    assert dict(tally.reasons) == {reason: 1}
    [bad] = tally.bad_rows
    assert (bad.file.name, bad.row, bad.reason) == ("a.csv", 2, reason)
    assert str(bad).startswith("a.csv, row 2: ")


def test_many_bad_rows_between_good_ones_keep_their_row_numbers(tmp_path: Path) -> None:
    lines = []
    for line, _ in BAD:
        lines += ["2026-03-01T02:14:00Z,A,1", line]
    rows, tally = read(text(tmp_path / "a.csv", *lines), {"A": 0})
    assert len(rows) == len(BAD)
    assert sorted((b.row, b.reason) for b in tally.bad_rows) == [
        (2 * i, reason) for i, (_, reason) in enumerate(BAD, start=1)
    ]
    assert tally.rows == tally.good + tally.bad


def test_examples_are_bounded_and_counts_are_not(tmp_path: Path) -> None:
    rows, tally = read(text(tmp_path / "a.csv", *["never,A,1"] * 1000), {"A": 0})
    assert len(rows) == 0
    assert len(tally.bad_rows) == MAX_BAD_ROWS
    assert tally.reasons[RejectReason.BAD_TIME] == 1000


def test_unknown_names_are_listed_with_their_count(tmp_path: Path) -> None:
    when = "2026-03-01T02:14:00Z"
    path = text(tmp_path / "a.csv", f"{when},A,1", f"{when},B,1", f"{when},C,1", f"{when},B,2", "x,B,2")
    rows, tally = read(path, {"A": 0})
    assert len(rows) == 1
    assert dict(tally.unknown) == {"B": 2, "C": 1}


def test_a_name_that_is_no_utf_8_is_an_unknown_name(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(
        b"time,name,value\n2026-03-01T02:14:00Z,A,1\n2026-03-01T02:14:00Z,\xff\xfe,1\nnow,A,\xff\n"
    )
    rows, tally = read(path, {"A": 0})
    assert len(rows) == 1
    assert list(tally.unknown) == ["\ufffd\ufffd"]
    assert tally.bad == 1


def test_columns_in_any_order_and_more_of_them(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text('\ufeff"Value",unit,Name,TIME\n2.5,dB,A,2026-03-01T02:14:00Z\n')
    rows, _ = read(path, {"A": 7})
    assert (rows.series.tolist(), rows.value.tolist()) == ([7], [2.5])


def test_empty_cells_of_parquet_are_bad_rows(tmp_path: Path) -> None:
    path = tmp_path / "a.parquet"
    when = datetime.fromisoformat("2026-03-01T02:14:00+00:00")
    table = pa.table(
        {
            "time": pa.array([when, None, when, when], pa.timestamp("ns", "UTC")),
            "name": ["A", "A", None, "A"],
            "value": pa.array([1.0, 1.0, 1.0, None]),
        }
    )
    pq.write_table(table, path)
    rows, tally = read(path, {"A": 0})
    assert len(rows) == 1
    assert [(b.row, b.reason) for b in tally.bad_rows] == [
        (2, RejectReason.BAD_TIME),
        (3, RejectReason.BAD_NAME),
        (4, RejectReason.MISSING_VALUE),
    ]


@pytest.mark.parametrize("unit", ["s", "ms", "us", "ns"])
def test_timestamps_of_any_unit(tmp_path: Path, unit: str) -> None:
    path = tmp_path / "a.parquet"
    when = datetime.fromisoformat("2026-03-01T02:14:00")
    table = pa.table({"time": pa.array([when], pa.timestamp(unit)), "name": ["A"], "value": [3]})
    pq.write_table(table, path)
    rows, _ = read(path, {"A": 0})
    assert rows.time_us.tolist() == [1772331240 * S]


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"", "is empty"),
        (b"when,name,value\n1,A,1\n", "no column 'time'"),
        (b"a,b\n1,2\n", "no column 'time' and no column 'name' and no column 'value'"),
        (b"PAR1 and then nothing of the kind", "cannot be read"),
        (b"\x1f\x8b\x08 not gzip", "no column"),
    ],
)
def test_a_file_that_cannot_be_used_is_refused_in_words(tmp_path: Path, content: bytes, says: str) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(content)
    with pytest.raises(ReplayError, match=says):
        read(path, {"A": 0})


def test_a_file_that_is_not_there_or_of_the_wrong_type(tmp_path: Path) -> None:
    with pytest.raises(ReplayError, match=r"nowhere\.csv: there is no such file"):
        read(tmp_path / "nowhere.csv", {})
    path = tmp_path / "a.parquet"
    pq.write_table(pa.table({"time": [1.5], "name": ["A"], "value": [1.0]}), path)
    with pytest.raises(ReplayError, match="column 'time' is double"):
        read(path, {"A": 0})


def test_a_window_leaves_out_what_is_before_and_after(tmp_path: Path) -> None:
    lines = [f"{t * 1_000_000_000},A,{t % 1000}" for t in (1_772_331_239, 1_772_331_240, 1_772_331_250)]
    rows, tally = read(text(tmp_path / "a.csv", *lines), {"A": 0}, (1_772_331_240 * S, 1_772_331_250 * S))
    assert rows.value.tolist() == [240]
    assert (tally.good, tally.outside, tally.bad) == (1, 2, 0)


def test_the_scan_finds_how_far_a_file_is_out_of_order(tmp_path: Path) -> None:
    lines = [f"{t * 1_000_000_000},A,1" for t in (1_772_331_000, 1_772_331_100, 1_772_331_070, 1_772_331_200)]
    found = scan(text(tmp_path / "a.csv", *lines), Converter({"A": 0}, *ALL), Tally(), lambda rows: None)
    assert (found.first_us, found.last_us) == (1_772_331_000 * S, 1_772_331_200 * S)
    assert found.disorder_us == 30 * S
