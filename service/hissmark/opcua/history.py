"""History reads (OPC 10000-11, raw values) from the store: what was judged at each tick."""

from __future__ import annotations

import asyncio
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
from asyncua import ua
from asyncua.server.history import HistoryStorageInterface

from hissmark.opcua.space import Space
from hissmark.opcua.values import GOOD, UNKNOWN
from hissmark.store.blocks import HOUR_US
from hissmark.store.reader import Reader

MOST_VALUES = 10_000
"""Values in one answer; a client asks on from the continuation point."""
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_FIRST = datetime(2000, 1, 1, tzinfo=UTC)
_US = timedelta(microseconds=1)


class StoredHistory(HistoryStorageInterface):  # type: ignore[misc]
    """Answers from the store; nothing is kept here, and nothing can be changed."""

    def __init__(self, reader: Reader, space: Space, now_us: Callable[[], int]) -> None:
        super().__init__(MOST_VALUES)
        self._reader, self._space, self._now_us = reader, space, now_us

    async def init(self) -> None:
        """Nothing to open: the reader is the service's."""

    async def stop(self) -> None:
        """Nothing to close."""

    async def read_node_history(
        self, node_id: ua.NodeId, start: datetime | None, end: datetime | None, nb_values: int | None
    ) -> tuple[list[ua.DataValue], datetime | None]:
        """Values with start <= time < end, oldest first; newest first if start is after end or missing."""
        place = self._space.channels.get(node_id)
        if place is None:
            raise ua.UaStatusCodeError(ua.StatusCodes.BadHistoryOperationUnsupported)
        first, last = _moment(start), _moment(end)
        backwards = first is None
        if first is not None and last is not None and last < first:
            first, last, backwards = last, first, True
        count = min(nb_values or MOST_VALUES, MOST_VALUES)
        return await asyncio.to_thread(self._read, place, first, last, count, backwards)

    def _read(
        self, place: tuple[str, str, str], first: datetime | None, last: datetime | None, count: int,
        backwards: bool,
    ) -> tuple[list[ua.DataValue], datetime | None]:  # fmt: skip
        group, channel, attribute = place
        from_us = _microseconds(first or _FIRST)
        to_us = _microseconds(last) if last is not None else 1 << 62
        if backwards:
            times, values = self._newest(group, channel, attribute, from_us, to_us, count + 1)
        else:
            found = self._reader.history(group, channel, from_us, to_us, most_ticks=count + 1)
            times, values = found.time_us[: count + 1], getattr(found, attribute)[: count + 1]
        rows = [_value(t, v) for t, v in zip(times.tolist(), values.tolist(), strict=True)]
        on = rows[count].SourceTimestamp if len(rows) > count else None
        return rows[:count], on

    def _newest(
        self, group: str, channel: str, attribute: str, from_us: int, to_us: int, count: int
    ) -> tuple[Any, Any]:
        """The newest values before `to_us`, newest first, looked for in ever longer stretches."""
        end_us, span_us = min(to_us, self._now_us() + HOUR_US), HOUR_US
        while True:
            begin_us = max(from_us, end_us - span_us)
            found = self._reader.history(group, channel, begin_us, end_us)
            if len(found.time_us) >= count or begin_us <= from_us:
                values = np.asarray(getattr(found, attribute))
                return found.time_us[::-1][:count], values[::-1][:count]
            span_us *= 8


def _moment(at: datetime | None) -> datetime | None:
    """A bound that the client gave; None where it gave none (OPC UA sends the year 1601)."""
    if at is None:
        return None
    aware = at if at.tzinfo is not None else at.replace(tzinfo=UTC)
    return aware if aware > _EPOCH else None


def _microseconds(at: datetime) -> int:
    return (at - _EPOCH) // _US


def _value(time_us: int, value: float) -> ua.DataValue:
    known = math.isfinite(value)
    variant = ua.Variant(value, ua.VariantType.Float) if known else ua.Variant(None)
    at = _EPOCH + time_us * _US
    return ua.DataValue(variant, StatusCode=GOOD if known else UNKNOWN, SourceTimestamp=at)
