"""Where data comes from: one `[[mqtt.source]]` table as a plain value that checks itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

from hissmark.decode.names import NameTemplate
from hissmark.decode.pointer import Pointer
from hissmark.decode.topics import check_filter

Format = Literal["senml", "json", "sparkplug"]

FORMATS: tuple[str, ...] = get_args(Format)

SOURCE_UNITS = ("", "dB", "bar", "%")
"""Units a value may arrive in; anything else would be misread (contract: dB, bar, %, none)."""


@dataclass(frozen=True, slots=True)
class MqttSource:
    """One subscription and how its payloads are read. Raises ValueError: which field is wrong and why.

    Attributes:
        filter: MQTT topic filter (`+` one level, `#` all that follow); `$share/group/filter` is understood.
        qos: 1 so that nothing is lost; 0 for data that may be.
        format: `senml` (RFC 8428 JSON), `json` (one value a message, found by JSON Pointer) or `sparkplug`
            (Sparkplug B 3.0; names are GROUP/NODE/DEVICE/METRIC).
        name_template: `json` only: name of the series from the topic's levels, counted from 0:
            topic `plant/north/levels/AX-101`, template `{1}/{3}`: `north/AX-101`. None: the whole topic.
        value_pointer: `json` only: JSON Pointer (RFC 6901) to the number; "" is the whole payload.
        time_pointer: `json` only: JSON Pointer to the time; None or absent in a message: time of receipt.
        unit: `json` only: unit the values are in; "" if they carry none.
    """

    filter: str
    qos: int = 1
    format: Format = "senml"
    name_template: str | None = None
    value_pointer: str = "/value"
    time_pointer: str | None = "/time"
    unit: str = ""

    def __post_init__(self) -> None:
        check_filter(self.filter)
        if self.qos not in (0, 1):
            raise ValueError(
                f"qos: {self.qos} is not 0 or 1 (QoS 2 acknowledges before the data is stored; use 1)"
            )
        if self.format not in FORMATS:
            raise ValueError(f"format: {self.format!r} is not one of {', '.join(FORMATS)}")
        if self.unit not in SOURCE_UNITS:
            raise ValueError(f"unit: {self.unit!r} is not one of dB, bar, % or empty")
        if self.name_template is not None:
            NameTemplate.parse(self.name_template)
        for field, pointer in (("value", self.value_pointer), ("time", self.time_pointer)):
            if pointer is not None:
                Pointer.parse(pointer, field)
