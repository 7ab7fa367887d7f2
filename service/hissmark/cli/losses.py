"""`hissmark losses`: what is believed of a group's pipework, and forgetting what was learned."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.options import AsJson, Comment, Operator, SiteFolder

if TYPE_CHECKING:
    from hissmark.cli.opened import Opened
    from hissmark.engine.losses import Losses
    from hissmark.store.records import ChangeRow

_EPILOG = """\b
Examples:
  hissmark losses north flare-knockout
  hissmark losses north flare-knockout --reset --operator "M. Okafor" --comment "new pipe section"

Every opening of a valve, and every repair on record that ended a leak, teaches how much sound is lost along
the pipe and how well each sensor couples.
After work on the pipe or on sensors that is no longer true: have it forgotten. The request is on record
when the command returns; the running service does it within seconds, a stopped one when it starts again."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("losses", short_help="Show or reset a group's learned transmission losses.", epilog=_EPILOG)(
        losses
    )


def losses(
    site: SiteFolder,
    group: Annotated[str, typer.Argument(metavar="GROUP", help="Name of the group.", show_default=False)],
    reset: Annotated[bool, typer.Option("--reset", help="Have what was learned forgotten.")] = False,
    operator: Operator = "",
    comment: Comment = "",
    as_json: AsJson = False,
) -> None:
    """Show the transmission losses and couplings that the judgement uses for a group, or reset them."""
    if reset and not operator.strip():
        raise typer.BadParameter("--reset needs --operator: it goes on record who did it.")
    from hissmark.cli.errors import CommandError
    from hissmark.cli.opened import opened

    with opened(site) as open_site:
        groups = list(open_site.site.register.groups)
        if group not in groups:
            raise CommandError(
                f"{group!r} is no group of {open_site.site.name}. Groups are: {', '.join(groups)}."
            )
        if reset:
            _ask(open_site, group, operator.strip(), comment.strip())
        else:
            _show(open_site, group, as_json)


def _ask(site: Opened, group: str, operator: str, comment: str) -> None:
    from hissmark.cli.recording import put_changes
    from hissmark.engine.change import losses_reset

    put_changes(site, [losses_reset(group, operator, comment)])
    typer.echo(f"{group}: on record; the service forgets the learned losses when it next looks (seconds).")


def _show(site: Opened, group: str, as_json: bool) -> None:
    from hissmark.cli.errors import CommandError
    from hissmark.cli.output import put_json
    from hissmark.engine.change import ChangeKind
    from hissmark.engine.layout import Layout
    from hissmark.engine.losses import losses_of
    from hissmark.publish.story_shapes import losses_shape
    from hissmark.store.recall import restored_engine

    layout = Layout.of(site.site.register, site.site.core)
    restored = restored_engine(layout, site.reader)
    if restored is None:
        raise CommandError("the service has not saved any state yet.")
    found = losses_of(restored[0], layout.group_names.index(group))
    resets = site.reader.changes(kind=ChangeKind.LOSSES_RESET, subject=group)
    if as_json:
        put_json(losses_shape(found, resets))
    else:
        _print(found, resets)


def _print(found: Losses, resets: list[ChangeRow]) -> None:
    from hissmark.cli.output import console, put_table, table
    from hissmark.publish.story_shapes import counted_from_us
    from hissmark.publish.times import rfc3339

    out = console()
    pairs = table("between", "loss", "by the register", right=("loss", "by the register"))
    for p in found.pairs:
        pairs.add_row(
            f"{p.from_} and {p.to}", f"{p.loss_db:.1f} ± {p.sd_db:.1f} dB",
            f"{p.register_db:.1f} ± {p.register_sd_db:.1f} dB",
        )  # fmt: skip
    put_table(out, pairs)
    couplings = table("sensor of", "coupling", right=("coupling",))
    for c in found.couplings:
        couplings.add_row(c.subject, f"{c.coupling_db:+.1f} ± {c.sd_db:.1f} dB")
    put_table(out, couplings)
    out.print(f"{found.group}: learned from {found.measured} openings and repairs of its valves.")
    for r in resets:
        counts_us = counted_from_us(r)
        done = f"counts from {rfc3339(counts_us)}" if counts_us else "waiting for the service"
        asked = f"Reset asked for {rfc3339(r.requested_us)} by {r.change.operator}"
        out.print(f"{asked}, {done}. {r.change.reason}".rstrip())
