"""History of many valves by HTTP: formats, choices, streaming, and what it says of itself."""

from __future__ import annotations

import io
import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from hissmark.decode.columns import Batch
from support.invented import MINUTE_US, START_US

URL = "/api/v1/history"
SPAN = {"from": "2026-03-01T04:00:00Z", "to": "2026-03-01T05:00:00Z"}


@pytest.fixture
def heard(plant):
    """An hour of two valves, one sample a minute, and a pressure."""
    names = ["AS-101", "AS-102"]
    index = plant.layout.series_index()
    times = START_US + (120 + np.arange(60)) * MINUTE_US
    for i, name in enumerate(names):
        values = 30.0 + i + np.arange(60) / 7
        batch = Batch(np.full(60, index[name], np.int32), times, values, np.zeros(60, np.uint8))
        with plant.writer.transaction() as tx:
            tx.samples(batch)
    return names


@pytest.mark.parametrize(
    ("form", "kind"),
    [("csv", "text/csv"), ("json", "application/json"), ("arrow", "application/vnd.apache.arrow.stream"),
     ("parquet", "application/vnd.apache.parquet")],
)  # fmt: skip
def test_formats(client, heard, form, kind):
    found = client.get(URL, params={"name": heard, "format": form, **SPAN})
    assert found.status_code == 200
    assert found.headers["content-type"].partition(";")[0] == kind
    assert found.headers["hissmark-rows"] == "every sample on record"
    if form == "csv":
        assert found.text.count("\r\n") == 121
    elif form == "json":
        assert len(found.json()["rows"]) == 120
        assert found.json()["about"]["from"] == SPAN["from"]
    elif form == "arrow":
        assert pa.ipc.open_stream(found.content).read_all().num_rows == 120
    else:
        assert pq.read_table(io.BytesIO(found.content)).num_rows == 120


def test_sums_and_grid_say_what_they_are(client, heard):
    hour = client.get(URL, params={"name": heard, "rows": "hour", **SPAN}).json()
    assert [(r["n"], r["how"]) for r in hour["rows"]] == [(60, "energy")] * 2
    grid = {"name": heard[0], "rows": "even", "every": "10min", "how": "interpolated", **SPAN}
    even = client.get(URL, params=grid).json()
    assert [r["value"] for r in even["rows"]] == pytest.approx([30 + 10 * k / 7 for k in range(6)])
    assert even["about"]["rows"].startswith("interpolated")


def test_valves_and_groups(client, plant, heard):
    """A valve's level by its tag, a group's all; nothing named is everything."""
    valve = next(c for c in plant.layout.channels if c.source == heard[0])
    by_tag = client.get(URL, params={"valve": valve.subject, **SPAN}).json()["rows"]
    assert {r["name"] for r in by_tag} == {heard[0]}
    by_group = client.get(URL, params={"group": valve.group, **SPAN}).json()["rows"]
    assert {r["name"] for r in by_group} >= set(heard)
    assert len(client.get(URL, params=SPAN).json()["rows"]) >= len(by_group)


@pytest.mark.parametrize(
    "wrong",
    [{"valve": "XV-999"}, {"name": "nobody"}, {"group": "nowhere"}, {"rows": "some"}, {"every": "1 moon"},
     {"format": "xml"}, {"rows": "journal"}, {"from": "2026-03-02T00:00:00Z", "to": "2026-03-01T00:00:00Z"},
     {"rows": "even", "every": "1min", "from": "2000-01-01T00:00:00Z"}],
)  # fmt: skip
def test_wrong_questions(client, wrong):
    found = client.get(URL, params=wrong)
    assert found.status_code == 422, found.text
    assert found.headers["content-type"] == "application/problem+json"
    assert json.loads(found.content)["status"] == 422
