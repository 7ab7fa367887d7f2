"""Certificates and reports from the command line."""

from __future__ import annotations

from pathlib import Path

from hissmark import __version__
from hissmark.appraise.appraiser import Appraiser
from hissmark.cli.errors import CommandError
from hissmark.cli.moments import moment
from hissmark.cli.repairing import desk
from hissmark.engine.layout import Layout
from hissmark.paper.certificate import NoCertificateError, certificate, certified_of
from hissmark.paper.sheet import Paper, paper_of
from hissmark.publish.times import rfc3339
from hissmark.reports.made import Form, made
from hissmark.reports.sources import Sources

WEEK_US = 7 * 86_400_000_000


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


def print_report(folder: Path, from_: str | None, to: str | None, out: Path, paper: str) -> str:
    """Write the report of a period; HTML or PDF by the name of the file. Raises CommandError."""
    size, form = paper_named(paper), _form(out)
    with desk(folder) as (site, book):
        now_us = site.now_us
        to_us = moment(to, now_us) or now_us
        from_us = moment(from_, now_us) or to_us - WEEK_US
        if from_us >= to_us:
            raise CommandError("--from must be earlier than --to.")
        layout = Layout.of(site.site.register, site.site.core)
        appraiser = Appraiser(layout, site.reader)
        sources = Sources(
            site.site.name, __version__, lambda: layout, book, site.reader, appraiser, appraiser.follower
        )
        content = made(sources, from_us, to_us, form, size)
    write(out, content)
    return f"{out}: report of {rfc3339(from_us)} to {rfc3339(to_us)}."


def _form(out: Path) -> Form:
    match out.suffix.lower():
        case ".html" | ".htm":
            return "html"
        case ".pdf":
            return "pdf"
    raise CommandError(f"--out {out}: name a file that ends in .pdf or .html.")


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
