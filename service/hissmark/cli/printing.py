"""Certificates and reports from the command line."""

from __future__ import annotations

from pathlib import Path

from hissmark import __version__
from hissmark.cli.errors import CommandError
from hissmark.cli.repairing import desk
from hissmark.paper.certificate import NoCertificateError, certificate, certified_of
from hissmark.paper.sheet import Paper, paper_of


def print_certificate(folder: Path, number: int, out: Path, paper: str) -> str:
    """Write the certificate into a file; returns a sentence. Raises CommandError."""
    size = paper_named(paper)
    with desk(folder) as (site, book):
        try:
            what = certified_of(
                book.looked(), number, site=site.site.name, register=site.site.register, now_us=site.now_us,
                version=__version__,
            )  # fmt: skip
        except NoCertificateError as error:
            raise CommandError(str(error)) from None
    write(out, certificate(what, size))
    return f"{out}: certificate of repair {number}, {what.repair['valve']}, {size}."


def paper_named(text: str) -> Paper:
    """The paper called so. Raises CommandError."""
    try:
        return paper_of(text)
    except ValueError as error:
        raise CommandError(f"--paper: {error}.") from None


def write(out: Path, content: bytes) -> None:
    """Write a file. Raises CommandError that says why it cannot be."""
    try:
        out.write_bytes(content)
    except OSError as error:
        reason = (error.strerror or "it cannot be written").lower()
        raise CommandError(f"{out} cannot be written: {reason}.") from None
