"""`hissmark baselines`: what every channel has learned, what needs a look, and changes by people."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.errors import CommandError
from hissmark.cli.options import AsJson, Comment, Operator, Wait, add_family, site_of

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.engine.change import Change
    from hissmark.engine.known_baselines import Baseline
    from hissmark.upkeep.baseline_desk import BaselineDesk

_EPILOG = """\b
Examples:
  hissmark baselines north needs                              what needs a look, the most urgent first
  hissmark baselines north list --group flare
  hissmark baselines north show XV-203                        with what people did to it
  hissmark baselines north approve XV-203 --operator "M. Okafor" --comment "as heard on the survey"
  hissmark baselines north hold XV-203 --operator "M. Okafor" --comment "steam work until Friday"
  hissmark baselines north from-period XV-203 --from 2026-03-01 --to 2026-03-04 --operator Ann --comment tight
  hissmark baselines north copy AE-9 AE-4 --operator "M. Okafor" --comment "sensor replaced"

What is shown is the state last saved, at most half a minute old. A change goes on record at once and counts
from the next tick of a running service, or when a stopped one starts."""

app = typer.Typer(no_args_is_help=True, rich_markup_mode=None, epilog=_EPILOG)

Channel = Annotated[
    str, typer.Argument(metavar="CHANNEL", help="A channel, or a valve's tag.", show_default=False)
]
Condition = Annotated[
    int | None, typer.Option(metavar="N", help="Number of the operating condition; all if left out.")
]


def add_to(parent: typer.Typer) -> None:
    """Register the commands."""
    told = "Baselines in hand: what was learned, what needs a look, changes by people."
    add_family(parent, app, "baselines", told, "Look at baselines; approve, hold, copy them.")


@app.command("list", short_help="Every baseline.")
def list_all(
    context: typer.Context,
    group: Annotated[str | None, typer.Option(metavar="GROUP", help="Only of this group.")] = None,
    as_json: AsJson = False,
) -> None:
    """Every channel's baseline in each operating condition it has met."""
    with _desk(context) as (_, desk):
        rows = [b for b in desk.baselines() if group in (None, b.group)]
    _put(rows, as_json)


@app.command("needs", short_help="What needs a look, the most urgent first.")
def needs(context: typer.Context, as_json: AsJson = False) -> None:
    """Baselines that need a look: at their bound, suspect, held, drifting, little data."""
    from hissmark.cli.output import put_json
    from hissmark.upkeep.baseline_shapes import need_shape

    with _desk(context) as (_, desk):
        found = desk.needs()
    if as_json:
        for need in found:
            put_json(need_shape(need))
        return
    for need in found:
        typer.echo(f"{need.kind}: {need.says}\n    {need.do}")
    if not found:
        typer.echo("No baseline needs a look.")


@app.command("show", short_help="One channel's baselines and their history.")
def show(context: typer.Context, channel: Channel, as_json: AsJson = False) -> None:
    """The baselines of one channel, and what people did to them."""
    from hissmark.cli.output import put_json
    from hissmark.engine.change import ChangeKind
    from hissmark.upkeep.baseline_desk import BaselineError
    from hissmark.upkeep.baseline_shapes import taken_shape

    with _desk(context) as (site, desk):
        try:
            rows = desk.of(channel)
        except BaselineError as error:
            raise CommandError(str(error)) from None
        taken = [
            taken_shape(row)
            for subject in dict.fromkeys((rows[0].channel, rows[0].subject))
            for row in site.reader.changes(kind=ChangeKind.BASELINE, subject=subject, before_id=1 << 62)
        ]
    _put(rows, as_json)
    for change in sorted(taken, key=lambda c: -c["change_id"]):
        if as_json:
            put_json(change)
        else:
            value = "" if change["value_db"] is None else f" {change['value_db']:.1f} dB"
            said = f"{change['step']}{value} by {change['operator']}: {change['comment']}"
            typer.echo(f"{change['requested']}  {said} ({change['outcome']})")


def _step_command(name: str, told: str) -> None:
    def command(
        context: typer.Context,
        channel: Channel,
        condition: Condition = None,
        operator: Operator = "",
        comment: Comment = "",
        wait: Wait = 20,
    ) -> None:
        from hissmark.engine.change import BaselineStep

        who, why = _who(operator, comment)
        _carry_out(
            context, lambda desk: [desk.step(BaselineStep(name), channel, condition, who, why)], wait
        )  # fmt: skip

    command.__doc__ = told
    app.command(name, short_help=told.partition(".")[0] + ".")(command)


_step_command(
    "approve", "Approve a baseline as it is. From here it may drift no further than the site allows."
)
_step_command("hold", "Hold a baseline. It follows nothing until it is released.")
_step_command("release", "Release a baseline that was held.")
_step_command("relearn", "Forget a baseline and learn anew from now on. The channel is not judged meanwhile.")


@app.command("from-period", short_help="Take a baseline from a period of the history.")
def from_period(
    context: typer.Context,
    channel: Channel,
    from_: Annotated[str, typer.Option("--from", metavar="TIME", help="Beginning of the period.")],
    to: Annotated[str, typer.Option("--to", metavar="TIME", help="End of the period.")],
    condition: Annotated[int, typer.Option(metavar="N", help="Number of the operating condition.")] = 0,
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 20,
) -> None:
    """Take a baseline from a period of the history in which all was well."""
    from hissmark.cli.moments import moment

    who, why = _who(operator, comment)
    begin, end = moment(from_), moment(to)
    if begin is None or end is None or begin >= end:
        raise typer.BadParameter("--from must be earlier than --to.")
    _carry_out(
        context, lambda desk: [desk.from_period(channel, condition, begin, end, who, why)], wait
    )  # fmt: skip


@app.command("copy", short_help="Take over what another channel has learned.")
def copy(
    context: typer.Context,
    channel: Channel,
    source: Annotated[
        str, typer.Argument(metavar="FROM", help="Channel it is taken from; a former one will do.")
    ],
    operator: Operator = "",
    comment: Comment = "",
    wait: Wait = 20,
) -> None:
    """Take over what another channel has learned, for instance the sensor that was on the valve before."""
    who, why = _who(operator, comment)
    _carry_out(context, lambda desk: desk.copied(channel, source, who, why), wait)


def _who(operator: str, comment: str) -> tuple[str, str]:
    if not operator.strip() or not comment.strip():
        raise typer.BadParameter("--operator and --comment are needed: they go on record.")
    return operator.strip(), comment.strip()


@contextmanager
def _desk(context: typer.Context) -> Iterator[tuple[Opened, BaselineDesk]]:
    """The site, and its baselines as last saved."""
    from hissmark.cli.opened import opened
    from hissmark.engine.engine import Engine
    from hissmark.engine.layout import Layout
    from hissmark.store.open import open_for_reading
    from hissmark.store.recall import restored_engine
    from hissmark.upkeep.baseline_desk import BaselineDesk
    from hissmark.upkeep.register_book import RegisterBook

    with opened(site_of(context)) as site:
        reading = open_for_reading(site.site.store_url, site.site.folder)

        def read(look: Callable[[Engine], list[Baseline]]) -> list[Baseline]:
            restored = restored_engine(Layout.of(site.site.register, site.site.core), site.reader)
            if restored is None:
                raise CommandError("The service has not saved any state yet.")
            return look(restored[0])

        try:
            book = RegisterBook(site.site.folder, reading)
            yield site, BaselineDesk(read, site.reader, book, site.site.core, lambda: site.now_us)
        finally:
            reading.dispose()


def _carry_out(
    context: typer.Context, make: Callable[[BaselineDesk], Sequence[Change]], wait_s: float
) -> None:
    """Put changes on record and say what became of each."""
    from hissmark.cli.recording import put_changes
    from hissmark.upkeep.baseline_desk import BaselineError

    with _desk(context) as (site, desk):
        try:
            changes = make(desk)
        except BaselineError as error:
            raise CommandError(str(error)) from None
        numbers = put_changes(site, changes)
        for change, number in zip(changes, numbers, strict=True):
            typer.echo(_answer(site, change, number, wait_s))


def _answer(site: Opened, change: Change, number: int, wait_s: float) -> str:
    from hissmark.store.outcomes import outcome_of

    what = f"{change.subject}: {change.payload['step']}"
    if "value_db" in change.payload:
        what += f" to {change.payload['value_db']:.1f} dB"
    row = outcome_of(site.reader.change, number, wait_s)
    if row is None:
        return f"{what}: on record as change {number}; it counts when the service runs."
    if row.applied_after_us is None:
        raise CommandError(f"{what} was not done: {row.outcome}.")
    return f"{what}, change {number}."


def _put(rows: Sequence[Baseline], as_json: bool) -> None:
    from hissmark.cli.output import console, put_json, put_table, table
    from hissmark.publish.times import rfc3339_or_none
    from hissmark.upkeep.baseline_shapes import baseline_shape

    if as_json:
        for b in rows:
            put_json(baseline_shape(b))
        return
    numbers = ("baseline", "scatter", "moved", "windows")
    made = table("channel", "of", "condition", "state", *numbers, "since", right=numbers)
    for b in rows:
        name = f"{b.condition} {b.condition_name}{' (now)' if b.present else ''}"
        since = (rfc3339_or_none(b.since_us) or "")[:16]
        made.add_row(
            b.channel, b.subject, name, b.state, _db(b.value_db), _db(b.scale_db), _db(b.moved_db),
            str(b.floors), since,
        )  # fmt: skip
    put_table(console(), made)


def _db(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f} dB"
