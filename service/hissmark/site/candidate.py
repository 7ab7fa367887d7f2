"""A register that somebody wants to put in force: what it says, what is wrong with it, what it changes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from hissmark.engine.layout import Layout
from hissmark.engine.register import Register
from hissmark.site.load import REGISTER_FILE, examine
from hissmark.site.problems import Findings, Problem, Severity, did_you_mean
from hissmark.site.register import read_drafts, to_register
from hissmark.site.register_diff import ChannelChange, difference
from hissmark.site.register_text import Cells, cells_of, digest_of, register_text, rows_text


class EditError(ValueError):
    """What was asked of the register cannot be done; the message says why."""


@dataclass(frozen=True)
class Candidate:
    """A register to be put in force.

    Attributes:
        register: None while there are errors. problems: of the table and of site.toml against it.
        changes: against the register in force; empty if there are errors.
        base: digest of the register in force that it was compared with.
    """

    register: Register | None
    problems: list[Problem]
    changes: list[ChannelChange]
    base: str

    @property
    def text(self) -> str:
        """As it will stand in register.csv."""
        return register_text(self.register) if self.register is not None else ""


def examine_table(folder: Path, present: Register, raw: bytes, file: str) -> Candidate:
    """Look at a CSV as anybody may have saved it. `file` is its name, for the messages."""
    site, problems = examine(folder, raw)
    named = [
        replace(p, file=file) if p.file == REGISTER_FILE else p
        for p in problems
        if p.file == REGISTER_FILE or p.severity is Severity.ERROR  # other warnings were there before
    ]
    if site is None:
        return Candidate(None, named, [], digest_of(present))
    Layout.of(site.register, site.core)  # whatever it could not be judged by shows now, before it is in force
    return Candidate(site.register, named, difference(present, site.register), digest_of(present))


def examine_text(folder: Path, present: Register, text: str, file: str = REGISTER_FILE) -> Candidate:
    """The same for text of our own."""
    return examine_table(folder, present, text.encode(), file)


def with_rows(present: Register, rows: list[Mapping[str, str]]) -> str:
    """The present register with further rows, as text."""
    return rows_text([*(cells_of(c) for c in present.channels), *rows])


def with_changes(present: Register, channel: str, cells: Mapping[str, str]) -> str:
    """The present register with other text in some cells of one channel, as text. Raises EditError."""
    known = [c.name for c in present.channels]
    if channel not in known:
        raise EditError(f"There is no channel {channel!r}. {did_you_mean(channel, known)}".rstrip())
    return rows_text({**cells_of(c), **cells} if c.name == channel else cells_of(c) for c in present.channels)


def moved_to(present: Register, channel: str, valve: str, cells: Mapping[str, str]) -> str:
    """The present register with a sensor on another valve, as text. Raises EditError.

    The row of the valve keeps what belongs to the valve: if another channel stands for it, that one's row is
    taken out and its group, place, tags and the like go to the moved sensor. `cells` say more, or otherwise.
    """
    rows = {c.name: cells_of(c) for c in present.channels}
    if channel not in rows:
        raise EditError(f"There is no channel {channel!r}. {did_you_mean(channel, rows)}".rstrip())
    if rows[channel]["valve"] == valve:
        raise EditError(f"{channel} sits on {valve} already.")
    there = present.valves.get(valve)
    own = {"channel": channel, "source": rows[channel]["source"], "interval_s": rows[channel]["interval_s"]}
    row: Cells = {**rows[channel], "kind": "valve", "valve": valve}
    if there is not None:
        row = {**rows.pop(there.name), **own}
    rows[channel] = {**row, **cells}
    return rows_text(rows.values())


def digest_of_file(folder: Path) -> str | None:
    """Digest of the register that stands in the folder; None if there is none or it has errors."""
    site, _ = examine(folder)
    return None if site is None else digest_of(site.register)


def register_of(text: str) -> Register:
    """The register that text on record describes (it was sound when it was put there)."""
    return to_register(read_drafts(text.encode(), Findings(REGISTER_FILE)))
