"""The columns of register.csv and how one cell of each is read."""

from __future__ import annotations

import math
import re

from hissmark.engine.register import Condition

REQUIRED = ("channel", "kind", "valve", "group", "position")
OPTIONAL = (
    "source", "distance_m", "joints", "closed_when", "upstream_pressure", "downstream_pressure",
    "service", "size_mm", "valve_type", "consequence", "interval_s", "leak_flow", "leak_flow_unit",
    "closed_volume",
)  # fmt: skip
COLUMNS = frozenset(REQUIRED + OPTIONAL)

#: Columns that hold names under which things are known elsewhere: they are taken exactly as written.
NAMES = ("channel", "source", "valve", "group", "upstream_pressure", "downstream_pressure", "leak_flow")

KINDS = ("valve", "reference")
CONSEQUENCES = ("low", "medium", "high")

LONGEST_NAME = 128
_WHOLE = re.compile(r"[-+]?\d{1,9}")
_NUMBER = re.compile(r"[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?")
_COMMA_LIMIT = re.compile(r"([<>=!]=?\s*[-+]?\d+),(\d+\s*)$")

#: Characters that a name must not have, by column: topic wildcards never, path marks not in web addresses.
_FORBIDDEN = {"valve": '+#"/\\?%', "group": '+#"/\\?%'}
_FORBIDDEN_ANYWHERE = '+#"'


def whole_number(text: str) -> int:
    """Read a whole number; ValueError says what is wrong with it."""
    if not _WHOLE.fullmatch(text):
        raise ValueError(f"{text!r} is not a whole number.")
    return int(text)


def number(text: str) -> float:
    """Read a number with a decimal point or comma; ValueError says what is wrong with it."""
    if not _NUMBER.fullmatch(text):
        raise ValueError(f"{text!r} is not a number.")
    value = float(text.replace(",", "."))
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is too large.")
    return value


def condition(text: str) -> Condition:
    """Read ``TAG < NUMBER``; a decimal comma in the number is taken."""
    found = Condition.parse(_COMMA_LIMIT.sub(r"\1.\2", text))
    if not math.isfinite(found.limit):
        raise ValueError(f"the number in {text!r} is too large.")
    return found


def name_fault(column: str, text: str) -> tuple[str, str] | None:
    """What is wrong with a name as it stands in the file, and what to do; None if nothing is."""
    if text != text.strip():
        return f"{text!r} begins or ends with a blank.", "Remove the blank."
    if len(text) > LONGEST_NAME:
        return f"the name has {len(text)} characters; at most {LONGEST_NAME} are taken.", "Shorten it."
    if any(not c.isprintable() for c in text):
        return (
            f"{text!r} has a line break or another invisible character.",
            "Remove it; a quote that is not closed in its row also looks like this.",
        )
    if "\ufffd" in text:
        return (
            f"{text!r} has a letter that was lost when the file was saved.",
            "Write it again, and save the file as UTF-8.",
        )
    bad = sorted(set(text) & set(_FORBIDDEN.get(column, _FORBIDDEN_ANYWHERE)))
    if bad:
        return (
            f"{text!r} has {' '.join(bad)}, not allowed in such a name.",
            "Use letters, digits and - _ . : instead.",
        )
    return None
