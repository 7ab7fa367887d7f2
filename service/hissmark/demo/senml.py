"""Samples of the plant as SenML packs (RFC 8428), one for each topic."""

from __future__ import annotations

from collections.abc import Iterator

import msgspec
import numpy as np

from hissmark.decode.columns import Batch
from hissmark.demo.folder import TOPICS
from hissmark.demo.plant import Plant
from hissmark.demo.story import S

MAX_RECORDS = 500
"""Records in a pack; a longer one is cut, so that a fast demo does not send giants."""


class Packer:
    """Deals samples out to topics and writes each topic's pack."""

    def __init__(self, plant: Plant) -> None:
        self._plant = plant
        topics = [f"{TOPICS}/{s.group}/{'levels' if s.is_level else 'process'}" for s in plant.series]
        self._topics = list(dict.fromkeys(topics))
        self._topic_of = np.array([self._topics.index(t) for t in topics])

    def packs(self, batch: Batch) -> Iterator[tuple[str, bytes]]:
        """(topic, payload) for every topic that has samples; `batch.series` indexes `Plant.series`."""
        topic_of = self._topic_of[batch.series]
        for number, topic in enumerate(self._topics):
            rows = np.flatnonzero(topic_of == number)
            for start in range(0, len(rows), MAX_RECORDS):
                yield topic, self._pack(batch, rows[start : start + MAX_RECORDS])

    def _pack(self, batch: Batch, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> bytes:
        """Times count from the whole second of the first record, so that fractions stay exact."""
        base_s = int(batch.time_us[rows[0]]) // S
        records = [self._record(batch, int(i), base_s) for i in rows]
        records[0] = {"bt": base_s, **records[0]}
        return msgspec.json.encode(records)

    def _record(self, batch: Batch, i: int, base_s: int) -> dict[str, object]:
        series = self._plant.series[int(batch.series[i])]
        record: dict[str, object] = {"n": series.name, "v": float(batch.value[i])}
        if series.unit:
            record["u"] = series.unit
        if after_us := int(batch.time_us[i]) - base_s * S:
            record["t"] = round(after_us / S, 3)
        return record
