"""`ack`, `shelve`, `unshelve`, `out-of-service`, `return-to-service`: what operators do to alarms."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.options import Operator, SiteFolder, Wait

if TYPE_CHECKING:
    from pathlib import Path

    from hissmark.cli.acting import Verb

_ACK = """\b
Examples:
  hissmark ack north XV-203 --operator "M. Okafor"
  hissmark ack north XV-203 XV-207 --operator "M. Okafor" --comment "work order 4711"

"""
_SHELVE = """\b
Examples:
  hissmark shelve north XV-203 --for 4h --comment "steam trap being replaced" --operator "M. Okafor"

"""
_ON_RECORD = """The action is on record when this command returns; the running service applies it at once, a
stopped one when it starts again. Set HISSMARK_OPERATOR to give the name once and for all."""

Valves = Annotated[
    list[str], typer.Argument(metavar="VALVE...", help="Tags of the valves.", show_default=False)
]
Comment = Annotated[str, typer.Option(metavar="TEXT", help="Goes on record with it.")]
Reason = Annotated[
    str, typer.Option("--comment", metavar="TEXT", help="Why; goes on record.", show_default=False)
]
Kind = Annotated[
    str | None,
    typer.Option("--alarm", metavar="KIND", help="Only this alarm: passing, contested or sensor-fault."),
]


def add_to(app: typer.Typer) -> None:
    """Register the commands."""
    _simple(app, "ack", "ACKNOWLEDGE", "Acknowledge the alarms of one or several valves.", _ACK)
    app.command("shelve", epilog=_SHELVE + _ON_RECORD)(shelve)
    _simple(app, "unshelve", "UNSHELVE", "Take alarms off the shelf before their time is up.")
    app.command("out-of-service", epilog=_ON_RECORD)(out_of_service)
    _simple(app, "return-to-service", "BACK", "Return alarms to service.")


def _simple(app: typer.Typer, name: str, verb: str, told: str, examples: str = "") -> None:
    """An action that needs no reason."""

    def command(
        site: SiteFolder,
        valves: Valves,
        operator: Operator,
        comment: Comment = "",
        alarm: Kind = None,
        wait: Wait = 5.0,
    ) -> None:
        from hissmark.cli import acting

        _do(site, getattr(acting, verb), valves, alarm, operator, comment, wait)

    command.__doc__ = told
    app.command(name, epilog=examples + _ON_RECORD)(command)


def shelve(
    site: SiteFolder,
    valves: Valves,
    operator: Operator,
    comment: Reason,
    for_: Annotated[str, typer.Option("--for", metavar="TIME", help="How long, e.g. 30min, 4h.")],
    once: Annotated[bool, typer.Option("--once", help="Only until what it alarms of is gone.")] = False,
    alarm: Kind = None,
    wait: Wait = 5.0,
) -> None:
    """Put alarms on the shelf for a time: they come back by themselves."""
    from hissmark.cli.acting import SHELVE, SHELVE_ONCE

    verb = SHELVE_ONCE if once else SHELVE
    _do(site, verb, valves, alarm, operator, _reason(comment), wait, _seconds(for_))


def out_of_service(
    site: SiteFolder,
    valves: Valves,
    operator: Operator,
    comment: Reason,
    alarm: Kind = None,
    wait: Wait = 5.0,
) -> None:
    """Take alarms out of service until somebody returns them."""
    from hissmark.cli.acting import OUT

    _do(site, OUT, valves, alarm, operator, _reason(comment), wait)


def _do(
    site: Path, verb: Verb, valves: list[str], alarm: str | None, operator: str, comment: str, wait_s: float,
    for_s: float | None = None,
) -> None:  # fmt: skip
    if not operator.strip():
        raise typer.BadParameter("--operator must not be empty: an action has a name to it.")
    from hissmark.cli.acting import carry_out
    from hissmark.cli.opened import opened

    with opened(site) as open_site:
        lines = carry_out(open_site, verb, valves, alarm, operator.strip(), comment.strip(), wait_s, for_s)
        for line in lines:
            typer.echo(line)


def _reason(text: str) -> str:
    if not text.strip():
        raise typer.BadParameter("--comment must not be empty: say why.")
    return text


_TIME = re.compile(r"(\d+(?:\.\d+)?)\s*(s|min|h|d)")
_UNITS = {"s": 1, "min": 60, "h": 3600, "d": 86_400}


def _seconds(text: str) -> float:
    match = _TIME.fullmatch(text.strip())
    if match is None or float(match[1]) * _UNITS[match[2]] < 60:
        raise typer.BadParameter("--for takes a time of at least a minute, such as 30min or 4h.")
    return float(match[1]) * _UNITS[match[2]]
