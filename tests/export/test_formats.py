"""Every way out gives back what went in, to the bit where the format allows; CSV keeps RFC 4180."""

from __future__ import annotations

import csv
import io
import json
import re

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from hissmark.export.formats import Format, encoded
from hissmark.export.questions import Question, What, answer
from hissmark.store.archive.catalogue import DAY_US
from support.sealing import D0, NAMES, days, everything, sealer, write
from support.stores import Store

ODD = ["XV 1", 'said "ping"', "a,b", "line\r\nend", " lead", "ö", "plain"]


def out(batches, schema, form):
    return b"".join(encoded(iter(batches), schema, form))


def odd_batches():
    """Names that need quoting, values with every digit, absent ones."""
    schema = pa.schema(
        [
            ("time", pa.timestamp("us", tz="UTC")), ("name", pa.dictionary(pa.int32(), pa.string())),
            ("value", pa.float64()), ("text", pa.string()), ("n", pa.int64()),
        ],
        {"rows": "odd ones"},
    )  # fmt: skip
    rng = np.random.default_rng(4)
    n = len(ODD)
    values = [0.1, 5e-324, -1e9, 1 / 3, 123456789.12345679, None, 40.0]
    columns = [
        pa.array((D0 + rng.integers(0, DAY_US, n)), schema.types[0]),
        pa.DictionaryArray.from_arrays(pa.array(range(n), pa.int32()), pa.array(ODD)),
        pa.array(values),
        pa.array([*ODD[:-1], None]),
        pa.array(range(n), pa.int64()),
    ]
    batch = pa.record_batch(columns, schema=schema)
    return schema, [batch.slice(0, 3), batch.slice(3, 0), batch.slice(3)], values


def test_csv_is_rfc_4180():
    """Lines end in CRLF, the header names the fields, fields with commas, quotes or line breaks are quoted
    with quotes doubled (RFC 4180, 2.1 to 2.7); read by Python's own reader.
    """
    schema, batches, values = odd_batches()
    text = out(batches, schema, Format.CSV).decode("utf-8")
    assert text.startswith("time,name,value,text,n\r\n")
    assert text.endswith("\r\n")
    assert not re.search(r"[^\r]\n", text)
    rows = list(csv.DictReader(io.StringIO(text, newline=""), strict=True))
    assert [row["name"] for row in rows] == ODD
    assert [float(row["value"]) if row["value"] else None for row in rows] == values
    assert [row["text"] for row in rows] == [*ODD[:-1], ""]
    assert re.fullmatch(r"2026-03-01T\d\d:\d\d:\d\d\.\d{6}Z", rows[0]["time"])


def test_json_is_json():
    schema, batches, values = odd_batches()
    document = json.loads(out(batches, schema, Format.JSON))
    assert document["about"] == {"rows": "odd ones"}
    assert [row["name"] for row in document["rows"]] == ODD
    assert [row["value"] for row in document["rows"]] == values
    assert [row["text"] for row in document["rows"]] == [*ODD[:-1], None]
    assert json.loads(out([], schema, Format.JSON))["rows"] == []
    assert out([], schema, Format.CSV) == b"time,name,value,text,n\r\n"


@pytest.fixture(scope="module")
def half_sealed(tmp_path_factory):
    """Three days on file, late samples of one of them and two days in the database."""
    store = Store("sqlite:///data/hissmark.db", tmp_path_factory.mktemp("half"))
    writer = write(store, days(5, 200))
    sealer(store).seal_before(D0 + 3 * DAY_US)
    late = days(5, 9, seed=3)
    chosen = late.time_us // DAY_US == (D0 + DAY_US) // DAY_US
    with writer.transaction() as tx:
        tx.samples(type(late)(*(getattr(late, f)[chosen] for f in ("series", "time_us", "value", "flags"))))
    yield store
    store.close()


def frame(document, form):
    """Read by somebody else."""
    if form is Format.CSV:
        found = pd.read_csv(io.BytesIO(document))
    elif form is Format.JSON:
        found = pd.DataFrame(json.loads(document)["rows"], columns=["time", "name", "value"])
    elif form is Format.ARROW:
        found = pa.ipc.open_stream(document).read_all().to_pandas()
    else:
        found = pq.read_table(io.BytesIO(document)).to_pandas()
    times = pd.to_datetime(found["time"], utc=True).dt.as_unit("us").astype("int64")
    return list(zip(found["name"].astype(str), times, found["value"], strict=True))


@pytest.mark.parametrize("form", list(Format))
@pytest.mark.parametrize("span", [(0, 1 << 52), (D0 + DAY_US // 3, D0 + 4 * DAY_US - 77)])
def test_round_trip(half_sealed, form, span):
    """What was stored comes out, each once, each name by time, from files and database."""
    found = answer(half_sealed.reader(), Question(What.RAW, NAMES, *span))
    rows = frame(b"".join(encoded(found.batches, found.schema, form)), form)
    expected = [row[:3] for row in everything(half_sealed, *span)]
    assert sorted(rows) == sorted(expected)
    for name in NAMES:
        mine = [row for row in rows if row[0] == name]
        assert mine == sorted(mine, key=lambda row: row[1])


def test_few_names(half_sealed):
    found = answer(half_sealed.reader(), Question(What.RAW, ["XV-103", "PT-1"], 0, 1 << 52))
    rows = frame(b"".join(encoded(found.batches, found.schema, Format.PARQUET)), Format.PARQUET)
    assert sorted(rows) == sorted(r[:3] for r in everything(half_sealed) if r[0] in ("XV-103", "PT-1"))


def test_pieces_stay_small(half_sealed):
    """Streamed: no piece is anything like the whole."""
    found = answer(half_sealed.reader(), Question(What.RAW, NAMES, 0, 1 << 52))
    pieces = [len(piece) for piece in encoded(found.batches, found.schema, Format.CSV)]
    assert len(pieces) > 8
    assert max(pieces) < sum(pieces) / 2
