"""Reads register.csv into the core's `Register`, and says of every row all that is wrong with it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from hissmark.engine.register import Channel, Consequence, Register
from hissmark.site import columns
from hissmark.site.csv_text import CsvText, Row, read_csv
from hissmark.site.problems import Findings, did_you_mean

FILE = "register.csv"


@dataclass(slots=True)
class Draft:
    """One row while it is checked: its cells by column, and the values that could be read from them."""

    line: int
    cells: dict[str, str]
    notes: dict[str, str]
    values: dict[str, Any] = field(default_factory=dict)

    def text(self, column: str) -> str:
        """The cell without blanks around it; empty if there is none."""
        return self.cells.get(column, "").strip()

    @property
    def source(self) -> str:
        return self.text("source") or self.text("channel")

    @property
    def is_valve(self) -> bool:
        return self.text("kind").lower() == "valve"


def read_drafts(raw: bytes, findings: Findings) -> list[Draft]:
    """Every row of the register, each cell checked by itself."""
    table = read_csv(raw, columns.COLUMNS, findings)
    if table is None:
        return []
    header = _header(table, findings)
    if not table.rows:
        findings.error(
            table.header.line, "", "there is no channel below the header.", "Write one row a channel."
        )
    drafts = [_draft(row, header, findings) for row in table.rows]
    missing = [name for name in columns.REQUIRED if name not in header]
    for draft in drafts:
        _check_cells(draft, missing, findings)
    return drafts


def to_register(drafts: list[Draft]) -> Register:
    """The register that sound drafts describe."""
    return Register.of(_channel(d) for d in drafts)


def _header(table: CsvText, findings: Findings) -> list[str]:
    """Column names, known ones in lower case; problems for missing, doubled and misspelt ones."""
    names: list[str] = []
    line = table.header.line
    for cell in table.header.cells:
        name = cell.strip()
        name = name.lower() if name.lower() in columns.COLUMNS else name
        if name and name in names:
            findings.error(line, name, "this column is there twice.", "Keep one of them.")
        names.append(name)
    for name in columns.REQUIRED:
        if name not in names:
            _missing_column(name, names, line, findings)
    for name in names:
        near = did_you_mean(name, columns.COLUMNS - set(names)) if name not in columns.COLUMNS else ""
        if name and near:
            findings.warning(line, name, "not a known column; kept as a note.", near)
    return names


def _missing_column(name: str, names: list[str], line: int, findings: Findings) -> None:
    near = did_you_mean(name, [n for n in names if n and n not in columns.COLUMNS])
    hint = f"Rename {near[len('Did you mean ') : -1]} to {name!r}." if near else f"Add a column {name!r}."
    findings.error(line, name, "this required column is missing.", hint)


def _draft(row: Row, header: list[str], findings: Findings) -> Draft:
    """Cells by column; rows of another length than the header are reported."""
    extra = [cell for cell in row.cells[len(header) :] if cell.strip()]
    if extra:
        findings.error(
            row.line, "", f"the row has {len(row.cells)} cells, the header only {len(header)}.",
            "Put a cell that has the separator in it in double quotes.",
        )  # fmt: skip
    elif len(row.cells) < len(header):
        findings.warning(
            row.line, "", f"the row has {len(row.cells)} cells, the header {len(header)}.",
            "The last are taken as empty; check that no separator is missing.",
        )  # fmt: skip
    pairs = dict(zip(header, row.cells, strict=False))
    known = {name: cell for name, cell in pairs.items() if name in columns.COLUMNS}
    notes = {
        name: cell.strip() for name, cell in pairs.items() if name and name not in known and cell.strip()
    }
    return Draft(row.line, known, notes)


def _check_cells(draft: Draft, missing: list[str], findings: Findings) -> None:
    _check_names(draft, findings)
    for column in ("channel", "kind", "group", "position"):
        if not draft.text(column) and column not in missing:
            findings.error(draft.line, column, "must not be empty.", _HOW[column])
    _check_choice(draft, "kind", columns.KINDS, findings)
    _check_choice(draft, "consequence", columns.CONSEQUENCES, findings)
    _read(
        draft,
        "position",
        columns.whole_number,
        findings,
        "Number the channels in their order along the pipe.",
    )
    _read(
        draft,
        "joints",
        _at_least_zero(columns.whole_number),
        findings,
        "Count the flanged joints since the last.",
    )
    _read(
        draft,
        "distance_m",
        _at_least_zero(columns.number),
        findings,
        "Give metres of pipe since the last position.",
    )
    _read(draft, "size_mm", _above_zero, findings, "Give the nominal size in millimetres, or leave it empty.")
    _read(
        draft,
        "interval_s",
        _interval,
        findings,
        "Give seconds between two samples, or leave it empty to learn it.",
    )
    _read(draft, "closed_when", columns.condition, findings, "Write for instance: ZT-101 < 2")
    if draft.values.get("closed_when") is not None:
        _check_tag(draft, draft.values["closed_when"].tag, findings)


_HOW = {
    "channel": "Give the channel a name of its own.",
    "kind": "Write 'valve' or 'reference'.",
    "group": "Name the group of valves on shared pipework.",
    "position": "Number the channels in their order along the pipe.",
}


def _check_names(draft: Draft, findings: Findings) -> None:
    for column in columns.NAMES:
        fault = columns.name_fault(column, draft.cells.get(column, ""))
        if fault and draft.text(column):
            findings.error(draft.line, column, *fault)


def _check_tag(draft: Draft, tag: str, findings: Findings) -> None:
    fault = columns.name_fault("closed_when", tag)
    if fault:
        findings.error(draft.line, "closed_when", *fault)


def _check_choice(draft: Draft, column: str, choices: tuple[str, ...], findings: Findings) -> None:
    word = draft.text(column)
    if word and word.lower() not in choices:
        near = did_you_mean(word, choices) or f"Write one of: {', '.join(choices)}."
        findings.error(draft.line, column, f"{word!r} is not known.", near)


def _read(draft: Draft, column: str, reader: Callable[[str], Any], findings: Findings, fix: str) -> None:
    """Read one optional cell into `draft.values`; a cell that cannot be read is a problem."""
    text = draft.text(column)
    if not text:
        return
    try:
        draft.values[column] = reader(text)
    except ValueError as slip:
        message = str(slip)
        findings.error(draft.line, column, message if message.endswith(".") else message + ".", fix)


def _at_least_zero(reader: Callable[[str], Any]) -> Callable[[str], Any]:
    def read(text: str) -> Any:
        value = reader(text)
        if value < 0:
            raise ValueError(f"{text} is below zero.")
        return value

    return read


def _above_zero(text: str) -> float:
    value = columns.number(text)
    if not 0 < value < float("inf"):
        raise ValueError(f"{text} is not above zero.")
    return value


def _interval(text: str) -> float:
    value = _above_zero(text)
    if not 0.01 <= value <= 7 * 86_400:
        raise ValueError(f"{text} s is outside 0.01 s to 7 days.")
    return value


def _channel(draft: Draft) -> Channel:
    """The channel that a sound draft describes."""
    return Channel(
        name=draft.text("channel"),
        source=draft.source,
        kind="valve" if draft.is_valve else "reference",
        group=draft.text("group"),
        valve=draft.text("valve") or None,
        upstream_pressure=draft.text("upstream_pressure") or None,
        downstream_pressure=draft.text("downstream_pressure") or None,
        leak_flow=draft.text("leak_flow") or None,
        leak_flow_unit=draft.text("leak_flow_unit"),
        closed_volume=draft.text("closed_volume"),
        service=draft.text("service"),
        valve_type=draft.text("valve_type"),
        consequence=_CONSEQUENCE[draft.text("consequence").lower()],
        notes=draft.notes,
        **draft.values,
    )


_CONSEQUENCE: dict[str, Consequence] = {"": "medium", "low": "low", "medium": "medium", "high": "high"}
