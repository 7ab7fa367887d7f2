"""Sparkplug B payloads: the message definition, topics and values of metrics.

Source: Sparkplug Specification 3.0.0, chapters 4 (topics) and 6 (payloads). The definition is built here from
field names and numbers, so that no generated code has to match the installed protobuf.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from google.protobuf import descriptor_pb2, descriptor_pool, message_factory
from google.protobuf.message import DecodeError

NAMESPACE = "spBv1.0"
STATE = "STATE"
GOOD = 192
"""Value of the property `Quality` of a value that may be believed (6.4.13)."""

_F = descriptor_pb2.FieldDescriptorProto
_PROPERTY_VALUE = (
    ("type", 1, _F.TYPE_UINT32),
    ("is_null", 2, _F.TYPE_BOOL),
    ("int_value", 3, _F.TYPE_UINT32),
    ("long_value", 4, _F.TYPE_UINT64),
    ("float_value", 5, _F.TYPE_FLOAT),
    ("double_value", 6, _F.TYPE_DOUBLE),
    ("boolean_value", 7, _F.TYPE_BOOL),
    ("string_value", 8, _F.TYPE_STRING),
)
_METRIC = (
    ("name", 1, _F.TYPE_STRING),
    ("alias", 2, _F.TYPE_UINT64),
    ("timestamp", 3, _F.TYPE_UINT64),
    ("datatype", 4, _F.TYPE_UINT32),
    ("is_historical", 5, _F.TYPE_BOOL),
    ("is_transient", 6, _F.TYPE_BOOL),
    ("is_null", 7, _F.TYPE_BOOL),
    ("int_value", 10, _F.TYPE_UINT32),
    ("long_value", 11, _F.TYPE_UINT64),
    ("float_value", 12, _F.TYPE_FLOAT),
    ("double_value", 13, _F.TYPE_DOUBLE),
    ("boolean_value", 14, _F.TYPE_BOOL),
    ("string_value", 15, _F.TYPE_STRING),
)
_PAYLOAD = (("timestamp", 1, _F.TYPE_UINT64), ("seq", 3, _F.TYPE_UINT64), ("uuid", 4, _F.TYPE_STRING))

#: Bits of the signed integer types: Int8, Int16, Int32, Int64 (6.4.16).
_SIGNED = {1: 8, 2: 16, 3: 32, 4: 64}
_UNSIGNED = frozenset({5, 6, 7, 8, 13})
_VALUE_FIELDS = ("int_value", "long_value", "float_value", "double_value", "boolean_value")

_OF_NODES = frozenset({"NBIRTH", "NDATA", "NDEATH", "NCMD"})
_OF_DEVICES = frozenset({"DBIRTH", "DDATA", "DDEATH", "DCMD"})


def _definition() -> Any:
    file = descriptor_pb2.FileDescriptorProto(
        name="hissmark/sparkplug_b.proto", package="hissmark.sparkplug", syntax="proto2"
    )
    for name, fields in (
        ("PropertyValue", _PROPERTY_VALUE),
        ("PropertySet", ()),
        ("Metric", _METRIC),
        ("Payload", _PAYLOAD),
    ):
        made = file.message_type.add(name=name)
        for field, number, kind in fields:
            made.field.add(name=field, number=number, type=kind, label=_F.LABEL_OPTIONAL)
    by_name = {made.name: made for made in file.message_type}
    properties = by_name["PropertySet"].field
    properties.add(name="keys", number=1, type=_F.TYPE_STRING, label=_F.LABEL_REPEATED)
    _nested(properties, "values", 2, "PropertyValue", _F.LABEL_REPEATED)
    _nested(by_name["Metric"].field, "properties", 9, "PropertySet", _F.LABEL_OPTIONAL)
    _nested(by_name["Payload"].field, "metrics", 2, "Metric", _F.LABEL_REPEATED)
    pool = descriptor_pool.DescriptorPool()
    pool.Add(file)
    found = pool.FindMessageTypeByName("hissmark.sparkplug.Payload")
    return message_factory.GetMessageClass(found)


def _nested(fields: Any, name: str, number: int, kind: str, label: Any) -> None:
    fields.add(
        name=name, number=number, type=_F.TYPE_MESSAGE, type_name=f".hissmark.sparkplug.{kind}", label=label
    )


Payload: Any = _definition()
"""Class of the payload message. Data sets, templates and files are not read; they are skipped."""


@dataclass(frozen=True, slots=True)
class Topic:
    """`spBv1.0/GROUP/KIND/NODE[/DEVICE]`; `kind` is NBIRTH, DDATA and so on."""

    group: str
    kind: str
    node: str
    device: str | None

    @property
    def place(self) -> str:
        """What the names of its metrics begin with."""
        ends = f"/{self.device}" if self.device is not None else ""
        return f"{self.group}/{self.node}{ends}"


def parse_topic(topic: str) -> Topic | None:
    """The parts of a topic of an edge node; None if it is none."""
    parts = topic.split("/")
    if parts[0] != NAMESPACE or not 4 <= len(parts) <= 5 or not all(parts):
        return None
    device = parts[4] if len(parts) == 5 else None
    if parts[2] not in (_OF_NODES if device is None else _OF_DEVICES):
        return None
    return Topic(parts[1], parts[2], parts[3], device)


def host_of(topic: str) -> str | None:
    """Host application of a `spBv1.0/STATE/HOST` topic; None if it is none."""
    parts = topic.split("/")
    return parts[2] if len(parts) == 3 and parts[0] == NAMESPACE and parts[1] == STATE else None


def parse_payload(data: bytes) -> Any:
    """The payload message; None if the bytes are no Sparkplug B payload."""
    made = Payload()
    try:
        made.ParseFromString(data)
    except (DecodeError, RuntimeError):  # RuntimeError: nested too deeply
        return None
    return made


def number_of(metric: Any, datatype: int) -> float | None:
    """Value of a metric as a number (booleans 0 and 1); None where its type is none.

    Integers of fewer than 32 bits come in two's complement of 32 or of their own bits; both are read.
    """
    field = next((f for f in _VALUE_FIELDS if metric.HasField(f)), None)
    if field is None:
        return None
    value = getattr(metric, field)
    if field in ("int_value", "long_value"):
        bits = _SIGNED.get(datatype)
        if bits is not None:
            value &= (1 << bits) - 1
            value -= (value >> (bits - 1)) << bits
        elif datatype not in _UNSIGNED and datatype not in (0, 11):
            return None
    return float(value)


def is_bad(metric: Any) -> bool:
    """Whether the sender itself says that the value is not good."""
    if not metric.HasField("properties"):
        return False
    for key, value in zip(metric.properties.keys, metric.properties.values, strict=False):
        if key == "Quality":
            return bool(value.HasField("int_value") and value.int_value != GOOD)
    return False
