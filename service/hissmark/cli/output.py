"""How commands print: calm tables for people, one JSON object a line for machines."""

from __future__ import annotations

import sys
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import msgspec
import typer

from hissmark.publish.times import age_text

if TYPE_CHECKING:
    from rich.console import Console
    from rich.table import Table

WIDTH_UNSEEN = 160
"""Columns when the output goes into a file or a pipe."""


def put_json(row: Mapping[str, Any]) -> None:
    """Print one object as one line."""
    sys.stdout.write(msgspec.json.encode(row).decode() + "\n")


def note(text: str) -> None:
    """Say something beside the output proper."""
    typer.echo(text, err=True)


def console() -> Console:
    """Where tables go. Nothing in a text is taken for markup: names of valves are data."""
    from rich.console import Console

    class Passing(Console):
        """Leaves it to the command's frame that nobody reads any more: that is no failure (`| head`)."""

        def on_broken_pipe(self) -> None:
            raise BrokenPipeError

    width = None if sys.stdout.isatty() else WIDTH_UNSEEN
    return Passing(highlight=False, markup=False, width=width, soft_wrap=False)


def table(*columns: str, right: tuple[str, ...] = ()) -> Table:
    """A table without frames; the columns named in `right` hold numbers."""
    from rich.table import Table

    made = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0), header_style="dim")
    for name in columns:
        made.add_column(name, justify="right" if name in right else "left", overflow="fold")
    return made


def put_table(out: Console, made: Table) -> None:
    """Print a table without the blanks that pad its lines, so that it copies cleanly."""
    with out.capture() as caught:
        out.print(made)
    sys.stdout.write("\n".join(line.rstrip() for line in caught.get().splitlines()) + "\n")


def ago(time_us: int | None, now_us: int) -> str:
    """``12 min ago``; ``never`` for a moment that has not been."""
    return f"{age_text((now_us - time_us) / 1e6)} ago" if time_us else "never"
