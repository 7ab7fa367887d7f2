"""History reads (OPC 10000-11) from the store: raw values, and alarm events.

A time range begins with its start, which belongs to it, and ends before its end, whichever way it runs.
"""

from __future__ import annotations

import asyncio
import logging
import math
import struct
from collections.abc import Callable
from datetime import datetime
from typing import Any

import numpy as np
from asyncua import ua
from asyncua.server.history import HistoryManager
from asyncua.server.internal_server import InternalServer

from hissmark.opcua.event_history import EventHistory
from hissmark.opcua.filters import Filter
from hissmark.opcua.moments import microseconds, moment, moment_or_none
from hissmark.opcua.space import Space
from hissmark.opcua.values import GOOD, UNKNOWN
from hissmark.store.blocks import HOUR_US
from hissmark.store.reader import Reader

MOST_VALUES = 10_000
"""Values in one answer; a client asks on from the continuation point."""
_FIRST_US, _LAST_US = 946_684_800_000_000, 1 << 62
_POINT = struct.Struct("!q")
_C = ua.StatusCodes
log = logging.getLogger("hissmark.opcua.filters")


class History(HistoryManager):  # type: ignore[misc]
    """Answers from the store; nothing is kept here, and nothing can be changed."""

    def __init__(self, iserver: InternalServer, values: ValueHistory, events: EventHistory) -> None:
        super().__init__(iserver)
        self._values, self._events = values, events

    async def init(self) -> None:
        """Nothing to open: the reader is the service's."""

    async def stop(self) -> None:
        """Nothing to close."""

    async def _read_history(self, details: Any, rv: ua.HistoryReadValueId) -> ua.HistoryReadResult:
        result = ua.HistoryReadResult()
        try:
            if isinstance(details, ua.ReadEventDetails):
                await self._read_events(details, rv, result)
            elif isinstance(details, ua.ReadRawModifiedDetails) and not details.IsReadModified:
                await self._read_values(details, rv, result)
            else:
                result.StatusCode = ua.StatusCode(_C.BadHistoryOperationUnsupported)
        except ua.UaStatusCodeError as error:
            result.StatusCode = ua.StatusCode(error.code)
        return result

    async def _read_events(
        self, details: ua.ReadEventDetails, rv: ua.HistoryReadValueId, result: ua.HistoryReadResult
    ) -> None:
        wants = Filter(log, self.iserver.aspace, details.Filter.WhereClause)
        found, on = await asyncio.to_thread(
            self._events.read, rv.NodeId, details, rv.ContinuationPoint, wants
        )
        result.HistoryData, result.ContinuationPoint = ua.HistoryEvent(found), on

    async def _read_values(
        self, details: ua.ReadRawModifiedDetails, rv: ua.HistoryReadValueId, result: ua.HistoryReadResult
    ) -> None:
        found, on = await asyncio.to_thread(self._values.read, rv.NodeId, details, rv.ContinuationPoint)
        result.HistoryData, result.ContinuationPoint = ua.HistoryData(found), on


class ValueHistory:
    """What was judged at each tick."""

    def __init__(self, reader: Reader, space: Space, now_us: Callable[[], int]) -> None:
        self._reader, self._space, self._now_us = reader, space, now_us

    def read(
        self, node: ua.NodeId, details: ua.ReadRawModifiedDetails, point: bytes | None
    ) -> tuple[list[ua.DataValue], bytes | None]:
        """A page of values and where it goes on; newest first if start is after end or missing."""
        place = self._space.channels.get(node)
        if place is None:
            raise ua.UaStatusCodeError(_C.BadHistoryOperationUnsupported)
        first, last = moment_or_none(details.StartTime), moment_or_none(details.EndTime)
        count = min(details.NumValuesPerNode or MOST_VALUES, MOST_VALUES)
        if first is None or (last is not None and last < first):
            times, values = self._newest(place, first, last, _on_from(point), count + 1)
        else:
            times, values = self._oldest(place, first, last, _on_from(point), count + 1)
        rows = [_value(t, v) for t, v in zip(times.tolist(), values.tolist(), strict=True)]
        on = _POINT.pack(int(times[count])) if len(rows) > count else None
        return rows[:count], on

    def _oldest(
        self, place: tuple[str, str, str], first: datetime, last: datetime | None, on_us: int | None,
        count: int,
    ) -> tuple[Any, Any]:  # fmt: skip
        """At or after `first` and before `last`, oldest first."""
        group, channel, attribute = place
        from_us = microseconds(first) if on_us is None else on_us
        to_us = _LAST_US if last is None else microseconds(last)
        found = self._reader.history(group, channel, from_us, to_us, most_ticks=count)
        return found.time_us[:count], np.asarray(getattr(found, attribute))[:count]

    def _newest(
        self, place: tuple[str, str, str], first: datetime | None, last: datetime | None, on_us: int | None,
        count: int,
    ) -> tuple[Any, Any]:  # fmt: skip
        """Newest first, from the later of the two bounds on and before reaching the other.

        Looked for in ever longer stretches.
        """
        group, channel, attribute = place
        later, earlier = (last, None) if first is None else (first, last)
        begin_us = _FIRST_US if earlier is None else microseconds(earlier) + 1
        now_us = self._now_us() + HOUR_US
        top_us = on_us if on_us is not None else now_us if later is None else microseconds(later)
        end_us, span_us = min(top_us + 1, now_us), HOUR_US
        while True:
            from_us = max(begin_us, end_us - span_us)
            found = self._reader.history(group, channel, from_us, end_us)
            if len(found.time_us) >= count or from_us <= begin_us:
                values = np.asarray(getattr(found, attribute))
                return found.time_us[::-1][:count], values[::-1][:count]
            span_us *= 8


def _on_from(point: bytes | None) -> int | None:
    """Time of the first value of the next page."""
    if not point:
        return None
    if len(point) != _POINT.size:
        raise ua.UaStatusCodeError(_C.BadContinuationPointInvalid)
    return int(_POINT.unpack(point)[0])


def _value(time_us: int, value: float) -> ua.DataValue:
    known = math.isfinite(value)
    variant = ua.Variant(value, ua.VariantType.Float) if known else ua.Variant(None)
    return ua.DataValue(variant, StatusCode=GOOD if known else UNKNOWN, SourceTimestamp=moment(time_us))
