"""What the commands of `hissmark register` share: the book, problems and changes shown, putting in force."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from hissmark.cli.errors import CommandError, fail

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hissmark.engine.register import Register
    from hissmark.site.candidate import Candidate
    from hissmark.site.register_diff import ChannelChange
    from hissmark.store.registers import How, RegisterVersion
    from hissmark.upkeep.register_book import RegisterBook


@contextmanager
def opened_book(site: Path, apply: bool, operator: str) -> Iterator[tuple[RegisterBook, Register]]:
    """The book of a site's register, and the register in force."""
    if apply and not operator.strip():
        raise typer.BadParameter("--apply needs --operator: it goes on record who did it.")
    from hissmark.site.candidate import register_of
    from hissmark.site.load import load_site
    from hissmark.store.open import open_for_actions, open_for_reading
    from hissmark.upkeep.register_book import RegisterBook

    loaded = load_site(site)
    reading = open_for_reading(loaded.store_url, loaded.folder)
    writing = open_for_actions(loaded.store_url, loaded.folder) if apply else None
    try:
        book = RegisterBook(loaded.folder, reading, writing)
        version = book.in_force()
        yield book, register_of(version.text) if version else loaded.register
    finally:
        reading.dispose()
        if writing is not None:
            writing.dispose()


def version_of(book: RegisterBook, number: int) -> RegisterVersion:
    """A version on record. Raises CommandError."""
    found = book.version(number)
    if found is None:
        raise CommandError(f"There is no version {number}; `hissmark register history` lists them.")
    return found


def cells_of_options(more: list[str] | None) -> dict[str, str]:
    """The values of ``--set``."""
    cells = {}
    for text in more or []:
        column, mark, value = text.partition("=")
        if not mark or not column.strip():
            raise typer.BadParameter(f"{text!r} is not COLUMN=TEXT.", param_hint="--set")
        cells[column.strip()] = value.strip()
    return cells


def answer(
    book: RegisterBook, candidate: Candidate, how: How, apply: bool, operator: str, comment: str,
    wait_s: float, as_json: bool,
) -> None:  # fmt: skip
    """Show problems and changes; put them in force if that is wanted and possible."""
    from hissmark.site.register_diff import summary

    _put_problems(candidate, as_json)
    put_changes(candidate.changes, as_json)
    if candidate.register is None:
        fail("the table has errors; nothing was changed.")
    if not apply:
        if not as_json:
            hint = (
                ""
                if not candidate.changes
                else " Nothing is changed yet: add --apply, --operator, --comment."
            )
            typer.echo(f"{summary(candidate.changes)}.{hint}")
        return
    typer.echo(_put_in_force(book, candidate, how, operator.strip(), comment.strip(), wait_s))


def _put_in_force(
    book: RegisterBook, candidate: Candidate, how: How, operator: str, comment: str, wait_s: float
) -> str:
    from hissmark.cli.moments import now_us
    from hissmark.store.registers import IN_FORCE, RegisterBusyError
    from hissmark.upkeep.register_book import Author, CandidateError

    try:
        number = book.put_in_force(candidate, how, Author(operator, comment), now_us())
    except (CandidateError, RegisterBusyError) as error:
        raise CommandError(str(error)) from None
    found = book.wait_for(number, wait_s)
    if found.outcome is None:
        return (
            f"Version {number} is on record and comes into force when the service takes it over (or starts)."
        )
    if found.outcome != IN_FORCE:
        raise CommandError(f"version {number} did not come into force: {found.outcome}")
    return f"Version {number} is in force."


def _put_problems(candidate: Candidate, as_json: bool) -> None:
    import dataclasses

    from hissmark.cli.output import put_json

    for p in candidate.problems:
        if as_json:
            put_json({"problem": dataclasses.asdict(p)})
        else:
            field = f" {p.field}:" if p.field else ""
            typer.echo(f"{p.where}: {p.severity}:{field} {p.message} {p.fix}".rstrip())


def put_changes(changes: Sequence[ChannelChange], as_json: bool) -> None:
    """Show what happens to each channel."""
    from hissmark.cli.output import put_json
    from hissmark.upkeep.shapes import change_shape

    for change in changes:
        if as_json:
            put_json({"change": change_shape(change)})
            continue
        typer.echo(f"{change.change}: {change.channel} ({change.subject}, group {change.group})")
        for cell in change.cells if change.change in ("moved", "changed") else ():
            typer.echo(f"    {cell.column}: {cell.before or '(empty)'} -> {cell.after or '(empty)'}")
        typer.echo(f"    {change.means}")
