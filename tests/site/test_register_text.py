"""The register as text reads back as the same register; the text is CSV after RFC 4180."""

from __future__ import annotations

import csv
import io
import re

from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.engine.register import Channel, Condition, Register
from hissmark.site import columns
from hissmark.site.problems import Findings
from hissmark.site.register import read_drafts, to_register
from hissmark.site.register_text import digest_of, register_text

_LETTERS = st.characters(exclude_characters='+#"/\\?%\ufffd', exclude_categories=("C", "Z"))
TAGS = st.text(_LETTERS, min_size=1, max_size=12)
"""What a name may hold: anything that can be seen, but for a few signs."""
PROSE = st.text(st.characters(exclude_characters="\0\ufffd", exclude_categories=("Cs",)), max_size=20).map(
    str.strip
)
LENGTHS = st.none() | st.floats(0, 1e6)
CONDITIONS = st.none() | st.builds(
    Condition,
    TAGS.filter(lambda t: not re.search(r"[<>=!]", t)),
    st.sampled_from(["<", "<=", ">", ">=", "==", "!="]),
    st.floats(allow_nan=False, allow_infinity=False),
)
NOTES = st.dictionaries(
    PROSE.filter(lambda t: t and t.lower() not in columns.COLUMNS), PROSE.filter(bool), max_size=3
)


@st.composite
def registers(draw: st.DrawFn) -> Register:
    """Registers as a file can describe them: names unique, any text, any number."""
    names = draw(st.lists(TAGS, min_size=1, max_size=6, unique=True))
    groups = draw(st.lists(TAGS, min_size=1, max_size=3, unique=True))
    rows = []
    for i, name in enumerate(names):
        is_valve = draw(st.booleans())
        rows.append(
            Channel(
                name, draw(st.just(name) | TAGS), "valve" if is_valve else "reference",
                draw(st.sampled_from(groups)), draw(st.integers(-9, 9)) * 10 + i,
                valve=f"V{i}" if is_valve else None, distance_m=draw(LENGTHS),
                joints=draw(st.none() | st.integers(0, 99)), closed_when=draw(CONDITIONS),
                upstream_pressure=draw(st.none() | TAGS), downstream_pressure=draw(st.none() | TAGS),
                service=draw(PROSE), size_mm=draw(st.none() | st.floats(1e-3, 1e4)), valve_type=draw(PROSE),
                consequence=draw(st.sampled_from(["low", "medium", "high"])),
                interval_s=draw(st.none() | st.floats(0.01, 604_800)), notes=draw(NOTES),
            )
        )  # fmt: skip
    return Register.of(rows)


def read_back(text: str) -> Register:
    findings = Findings("register.csv")
    drafts = read_drafts(text.encode(), findings)
    assert [p for p in findings.problems if p.severity == "error"] == []
    return to_register(drafts)


@settings(max_examples=200, deadline=None)
@given(registers())
def test_what_is_exported_reads_back_as_the_same_register(register: Register) -> None:
    text = register_text(register)
    again = read_back(text)
    assert again == register
    assert register_text(again) == text
    assert digest_of(again) == digest_of(register)


@settings(max_examples=50, deadline=None)
@given(registers())
def test_the_text_is_csv_as_rfc_4180_says(register: Register) -> None:
    """RFC 4180, section 2: lines end with CRLF, every line has the same number of fields, quotes are doubled.

    Read with the library's own strict dialect, not with our reader.
    """
    text = register_text(register)
    rows = list(csv.reader(io.StringIO(text, newline=""), strict=True))
    assert text.endswith("\r\n")
    assert len({len(row) for row in rows}) == 1
    assert len(rows) == 1 + len(register.channels)
    assert rows[0][:5] == ["channel", "kind", "valve", "group", "position"]


def test_only_columns_that_say_something_are_written() -> None:
    plain = Register.of([Channel("A", "A", "valve", "g", 1, valve="V")])
    assert register_text(plain) == "channel,kind,valve,group,position\r\nA,valve,V,g,1\r\n"
