"""`hissmark calibrate`: measured leaks and assumptions, and what the leaks of a site are worth."""

from __future__ import annotations

from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from hissmark.cli.options import AsJson, Comment, Operator, SiteFolder

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hissmark.appraise.appraiser import Appraiser
    from hissmark.appraise.desk import WorthDesk
    from hissmark.cli.opened import Opened
    from hissmark.store.calibrations import Assumption, Calibration

_EPILOG = """\b
Examples:
  hissmark calibrate north                       what every valve's leak is worth, the most first
  hissmark calibrate north XV-203                its rate, measured leaks, where each number is from
  hissmark calibrate north XV-203 --leak "350 mL in 5 min" --at 2h --operator "M. Okafor"
  hissmark calibrate north XV-203 --leak "27 bubbles/min" --fluid nitrogen --upstream "7 barg" \\
      --operator "M. Okafor"
  hissmark calibrate north XV-203 --decay "1.2 m3" --from "7 barg" --to "6.4 barg" --in "30 min" \\
      --operator "M. Okafor"
  hissmark calibrate north XV-203 --withdraw 4 --operator "M. Okafor" --reason "bypass was open"
  hissmark calibrate north --assume "price=0.45 EUR/kg" --operator "M. Okafor"

The level at the time of the measurement is taken from the history, pressures from their tags, unless you
give them. A rate is an estimate from sound, no measurement for trade, tax or compliance: local regulations
decide."""


def add_to(app: typer.Typer) -> None:
    """Register the command."""
    app.command("calibrate", short_help="Measured leaks, and what leaks are worth.", epilog=_EPILOG)(
        calibrate
    )


def _typed(what: str, example: str) -> typer.models.OptionInfo:
    option: typer.models.OptionInfo = typer.Option(metavar="TEXT", help=f"{what}, e.g. {example!r}.")
    return option


def calibrate(
    site: SiteFolder,
    valve: Annotated[
        str, typer.Argument(metavar="[VALVE]", help="Tag of the valve.", show_default=False)
    ] = "",
    leak: Annotated[str, _typed("The measured leak", "3.4 kg/h")] = "",
    decay: Annotated[str, _typed("Volume whose pressure was watched", "1.2 m3")] = "",
    from_: Annotated[str, typer.Option("--from", metavar="TEXT", help="Its pressure at the beginning.")] = "",
    to: Annotated[str, typer.Option("--to", metavar="TEXT", help="Its pressure at the end.")] = "",
    in_: Annotated[str, typer.Option("--in", metavar="TEXT", help="The time between.")] = "",
    at: Annotated[
        str, typer.Option(metavar="TIME", help="When it was measured: a time, or an age (2h).")
    ] = "",
    level: Annotated[str, _typed("Leak-only level, instead of the history's", "52.4 dB")] = "",
    fluid: Annotated[str, _typed("What flowed", "nitrogen")] = "",
    upstream: Annotated[str, _typed("Pressure before the valve", "7 barg")] = "",
    downstream: Annotated[str, _typed("Pressure behind it", "0 barg")] = "",
    temperature: Annotated[str, _typed("Temperature of the fluid", "20 °C")] = "",
    method: Annotated[str, _typed("How it was measured", "flow meter")] = "",
    uncertainty: Annotated[str, _typed("Half of the 95 % interval", "10 %")] = "",
    supersede: Annotated[int, typer.Option(metavar="NUMBER", help="The point whose place it takes.")] = 0,
    withdraw: Annotated[int, typer.Option(metavar="NUMBER", help="Take a point back.")] = 0,
    assume: Annotated[
        list[str] | None, typer.Option(metavar="NAME=TEXT", help="State an assumption.")
    ] = None,
    operator: Operator = "",
    reason: Comment = "",
    as_json: AsJson = False,
) -> None:
    """Show what leaks are worth; put measured leaks and assumptions on record."""
    from hissmark.cli.opened import opened

    typed = {
        "leak": leak, "decay_volume": decay, "decay_from": from_, "decay_to": to, "decay_time": in_,
        "level": level, "fluid": fluid, "upstream": upstream, "downstream": downstream,
        "temperature": temperature, "method": method, "uncertainty": uncertainty,
    }  # fmt: skip
    typed = {key: text for key, text in typed.items() if text}
    if (typed or withdraw or assume) and not operator.strip():
        raise typer.BadParameter("--operator is needed: it goes on record who said so.")
    if (typed or withdraw) and not valve:
        raise typer.BadParameter("Name the valve that was measured.")
    with opened(site) as open_site:
        said = _Said(open_site, operator.strip(), reason.strip())
        if assume:
            said.assume(assume, valve)
        if withdraw:
            said.withdraw(withdraw, valve)
        if typed:
            said.add(valve, at, typed, supersede)
        if not (assume or withdraw or typed):
            _show(said.appraiser, open_site, valve, as_json)


def _show(appraiser: Appraiser, site: Opened, valve: str, as_json: bool) -> None:
    from hissmark.cli.worth_shown import show_all, show_one

    if not valve:
        show_all(appraiser.worth_of_all(), as_json)
        return
    channel = site.channel(valve)
    if channel.valve is None:
        raise _no_valve(valve)
    show_one(appraiser.worth_of(channel.valve), as_json)


def _no_valve(name: str) -> Exception:
    from hissmark.cli.errors import CommandError

    return CommandError(f"{name!r} is a reference point, no valve: nothing leaks there.")


class _Said:
    """Puts on record what a person says."""

    def __init__(self, site: Opened, operator: str, reason: str) -> None:
        from hissmark.appraise.appraiser import Appraiser
        from hissmark.engine.layout import Layout

        self.site, self.operator, self.reason = site, operator, reason
        self.appraiser = Appraiser(Layout.of(site.site.register, site.site.core), site.reader)

    def add(self, valve: str, at: str, typed: dict[str, str], supersede: int) -> None:
        """A measured leak, in the place of another if told so."""
        from hissmark.appraise.points import PointError, new_point
        from hissmark.cli.errors import CommandError
        from hissmark.cli.moments import moment

        channel, now_us = self.site.channel(valve), self.site.now_us
        if channel.valve is None:
            raise _no_valve(valve)
        at_us = moment(at or None, now_us)
        if supersede:
            self._counting(supersede, valve)
        try:
            row = new_point(
                channel, now_us if at_us is None else at_us, typed, self.operator, self.reason,
                self.appraiser.knowledge(), self.site.reader,
            )  # fmt: skip
        except PointError as error:
            raise CommandError(str(error)) from None
        with self._desk() as desk:
            added = desk.add(row, supersede or None)
        kg_h = f"{row.rate_kg_s * 3600:.3g} kg/h"
        typer.echo(f"{valve}: on record as {added.id}. {kg_h} at a leak-only level of {row.level_db:.1f} dB.")

    def withdraw(self, number: int, valve: str) -> None:
        """Take a measured leak back."""
        from hissmark.appraise.points import PointError, withdrawal
        from hissmark.cli.errors import CommandError

        try:
            row = withdrawal(self._counting(number, valve), self.operator, self.reason)
        except PointError as error:
            raise CommandError(f"{error} (--reason)") from None
        with self._desk() as desk:
            desk.add(row, number)
        typer.echo(f"{valve}: measured leak {number} counts no more; it stays on record.")

    def assume(self, texts: list[str], valve: str) -> None:
        """State assumptions of a valve or of the site: all of them or none."""
        if valve and self.site.channel(valve).valve is None:
            raise _no_valve(valve)
        rows = [self._assumption(text, valve or None) for text in texts]
        with self._desk() as desk:
            for row in rows:
                desk.assume(row)
        typer.echo(f"{valve or self.site.site.name}: on record.")

    def _assumption(self, text: str, valve: str | None) -> Assumption:
        from hissmark.cli.errors import CommandError
        from hissmark.store.calibrations import Assumption
        from hissmark.worth.assumptions import checked
        from hissmark.worth.units import UnitError

        name, _, value = text.partition("=")
        try:
            found = checked(name.strip(), value)
        except UnitError as error:
            raise CommandError(str(error)) from None
        return Assumption(name.strip(), found, valve, self.operator, self.reason)

    def _counting(self, number: int, valve: str) -> Calibration:
        from hissmark.cli.errors import CommandError
        from hissmark.store.calibrations import standing

        rows = {row.id: row for row in standing(self.site.reader.calibrations(valve=valve))}
        if number not in rows:
            listed = ", ".join(map(str, rows)) or "none"
            raise CommandError(f"{valve} has no measured leak {number} that counts. It has: {listed}.")
        return rows[number]

    @contextmanager
    def _desk(self) -> Iterator[WorthDesk]:
        from hissmark.appraise.desk import WorthDesk
        from hissmark.store.open import open_for_actions

        engine = open_for_actions(self.site.site.store_url, self.site.site.folder)
        try:
            yield WorthDesk(self.appraiser, engine, lambda: self.site.now_us)
        finally:
            engine.dispose()
