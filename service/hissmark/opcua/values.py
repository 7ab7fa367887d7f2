"""Readings as OPC UA values: which variables a valve has, and how good each value is.

Source: OPC 10000-4 (status codes), 10000-8 (engineering units).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from asyncua import ua

from hissmark.publish.shapes import ChannelReading, LiveReading

UNECE = "http://www.opcfoundation.org/UA/units/un/cefact"
DECIBEL = ua.EUInformation(UNECE, 12878, ua.LocalizedText("dB"), ua.LocalizedText("decibel"))
"""UNECE code 2N as OPC 10000-8 encodes it: '2' << 8 | 'N'."""
BAR = ua.EUInformation(UNECE, 4342098, ua.LocalizedText("bar"), ua.LocalizedText("bar"))

GOOD = ua.StatusCode(ua.StatusCodes.Good)
OLD = ua.StatusCode(ua.StatusCodes.UncertainLastUsableValue)
UNKNOWN = ua.StatusCode(ua.StatusCodes.BadNoData)
NOT_JUDGED = ua.StatusCode(ua.StatusCodes.UncertainSubNormal)


@dataclass(frozen=True, slots=True)
class Kind:
    """One variable of a channel: its name, type, unit, how to read it, and whether it has a history."""

    name: str
    type: ua.VariantType
    unit: ua.EUInformation | None
    of: Callable[[ChannelReading], Any]
    history: str | None = None
    description: str = ""


FLOAT, STRING = ua.VariantType.Float, ua.VariantType.String
KINDS = (
    Kind("Level", FLOAT, DECIBEL, lambda c: c["level_db"], "level_db", "Steady floor level L90"),
    Kind("Baseline", FLOAT, DECIBEL, lambda c: c["baseline_db"], "baseline_db", "Background"),
    Kind("Rise", FLOAT, DECIBEL, lambda c: c["rise_db"], "rise_db", "Level over its background"),
    Kind("LeakLevel", FLOAT, DECIBEL, lambda c: c["leak_db"], None, "Leak alone, background taken off"),
    Kind(
        "PressureDifference", FLOAT, BAR, lambda c: c["difference_bar"], "difference_bar",
        "Upstream less downstream pressure",
    ),
    Kind("Verdict", STRING, None, lambda c: c["verdict"], None, "What is judged of the valve"),
    Kind("Reason", STRING, None, lambda c: c["reason_sentence"], None, "Why"),
    Kind("SensorHealth", STRING, None, lambda c: c["health"], None, "What is wrong with the sensor"),
)  # fmt: skip
RISE = next(kind for kind in KINDS if kind.name == "Rise")


def values_of(reading: LiveReading) -> Iterator[tuple[str, Kind, ua.DataValue]]:
    """(channel, kind, value) of everything in a group's reading, stamped with the time of its tick."""
    at = datetime.fromisoformat(reading["at"])
    for channel in reading["channels"]:
        for kind in KINDS:
            yield channel["channel"], kind, value_of(kind, kind.of(channel), at, fresh=reading["fresh"])


def value_of(kind: Kind, value: Any, at: datetime, *, fresh: bool) -> ua.DataValue:
    """One value. What is not known is bad, what is too old uncertain: never good by default."""
    status = UNKNOWN if value is None else GOOD if fresh else OLD
    variant = ua.Variant(None) if value is None else ua.Variant(value, kind.type)
    return ua.DataValue(variant, StatusCode=status, SourceTimestamp=at, ServerTimestamp=datetime.now(UTC))
