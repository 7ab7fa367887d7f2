"""A register as the text of its file: CSV after RFC 4180, UTF-8, only the columns that say something.

What is written here reads back as the same register.
"""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable, Mapping

from hissmark.engine.register import Channel, Register
from hissmark.site import columns

Cells = dict[str, str]
"""One row: column -> text. Columns that are not known are notes."""

_ORDER = (*columns.REQUIRED, *columns.OPTIONAL)


def cells_of(channel: Channel) -> Cells:
    """Every column of a channel's row, defaults written out."""
    condition = channel.closed_when
    return {
        "channel": channel.name,
        "kind": channel.kind,
        "valve": channel.valve or "",
        "group": channel.group,
        "position": str(channel.position),
        "source": channel.source,
        "distance_m": _number(channel.distance_m),
        "joints": _number(channel.joints),
        "closed_when": f"{condition.tag} {condition.op} {_number(condition.limit)}" if condition else "",
        "upstream_pressure": channel.upstream_pressure or "",
        "downstream_pressure": channel.downstream_pressure or "",
        "service": channel.service,
        "size_mm": _number(channel.size_mm),
        "valve_type": channel.valve_type,
        "consequence": channel.consequence,
        "interval_s": _number(channel.interval_s),
        "leak_flow": channel.leak_flow or "",
        "leak_flow_unit": channel.leak_flow_unit,
        "closed_volume": channel.closed_volume,
        **channel.notes,
    }


def register_text(register: Register) -> str:
    """The whole register as CSV."""
    return rows_text(cells_of(channel) for channel in register.channels)


def rows_text(rows: Iterable[Mapping[str, str]]) -> str:
    """Rows as CSV; optional columns that are empty, or at their default, in every row are left out."""
    table = [dict(row) for row in rows]
    notes = dict.fromkeys(name for row in table for name in row if name not in columns.COLUMNS)
    shown = [name for name in _ORDER if name in columns.REQUIRED or any(_says(row, name) for row in table)]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")  # RFC 4180, section 2
    writer.writerow([*shown, *notes])
    writer.writerows([row.get(name, "") for name in (*shown, *notes)] for row in table)
    return out.getvalue()


def digest_of(register: Register) -> str:
    """The same for registers that say the same, however their files are written."""
    return hashlib.sha256(register_text(register).encode()).hexdigest()


def _says(row: Mapping[str, str], column: str) -> bool:
    """Whether a cell says more than what is taken when it is empty."""
    text = row.get(column, "").strip()
    default = {"source": row.get("channel", ""), "consequence": "medium"}.get(column, "")
    return text not in ("", default)


def _number(value: float | None) -> str:
    """The shortest text that reads back as the same number."""
    if value is None:
        return ""
    text = repr(value)
    return text[:-2] if text.endswith(".0") else text
