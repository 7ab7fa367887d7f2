"""Where every number of a leak's worth comes from, step by step."""

from __future__ import annotations

from collections.abc import Iterator

from hissmark.appraise.appraiser import Worth
from hissmark.publish.times import rfc3339
from hissmark.worth.assumptions import Assumed
from hissmark.worth.emissions import FLARE_EFFICIENCY, Destination
from hissmark.worth.money import HOUR_S, heat_of
from hissmark.worth.trace import Step, figure, ranged


def trace_of(worth: Worth) -> list[Step]:
    """All steps, in the order in which they are reckoned."""
    return [*_rate(worth), *_money(worth), *_air(worth), *_total(worth)]


def _rate(worth: Worth) -> Iterator[Step]:
    found = worth.estimate
    yield from worth.there.steps
    for row in worth.fitted.used[: worth.fitted.fit.own if worth.fitted.fit else 0]:
        how = f"measured {rfc3339(row.at_us)}, {row.author}: {_typed(dict(row.typed))}"
        said = f"{figure(row.rate_kg_s * HOUR_S)} kg/h at {row.level_db:.1f} dB"
        yield Step(f"measured leak {row.id}", said, how)
    yield from found.steps
    if found.rate_kg_s is not None:
        how = "5 %, 50 % and 95 % of the prediction from level and pressures"
        yield Step("rate", ranged(found.rate_kg_s.times(HOUR_S), "kg/h"), how)


def _typed(typed: dict[str, str]) -> str:
    return ", ".join(f"{key.replace('_', ' ')} {text}" for key, text in typed.items())


def _money(worth: Worth) -> Iterator[Step]:
    found, assumed = worth.loss, worth.assumed
    if found is None:
        return
    yield Step("a year", ranged(found.kg_year, "kg"), f"rate times {_said(assumed.rows['hours'])}")
    if found.kwh_h is not None and worth.medium is not None:
        heat = heat_of(worth.medium, worth.there.state.upstream_pa if worth.there.state else None)
        said = ranged(found.kwh_h, "kW")
        yield Step(
            "energy", said, f"rate times {figure(heat / 3.6e6)} kWh/kg, listed for {worth.medium.name}"
        )
    if found.money_year is not None and found.money_h is not None:
        currency = assumed.currency
        yield Step(
            "loss an hour", ranged(found.money_h, currency), f"rate times {_said(assumed.rows['price'])}"
        )
        yield Step("loss a year", ranged(found.money_year, currency), f"times {_said(assumed.rows['hours'])}")
    if found.pay_back_days is not None:
        how = f"{_said(assumed.rows['repair'])}, over the loss a year"
        yield Step("a repair pays after", ranged(found.pay_back_days, "days"), how)


def _air(worth: Worth) -> Iterator[Step]:
    found, medium = worth.emissions, worth.medium
    if found is None or medium is None:
        return
    where = worth.assumed.rows["destination"]
    shares = (
        f"methane {100 * medium.methane:g} %, carbon dioxide {100 * medium.carbon_dioxide:g} % of the mass"
    )
    yield Step("shares that count", shares, _origin(worth.assumed.rows["methane"]))
    how = f"into the {_said(where)}"
    if where.text.lower() == Destination.FLARE:
        how += f"; {100 * FLARE_EFFICIENCY:g} % burnt (40 CFR 98 W, from memory)"
    yield Step("methane a year", ranged(found.methane_kg_year, "kg"), how)
    equivalent = ranged(found.equivalent_kg_year.times(1e-3), "t CO2e")
    yield Step(
        "CO2 equivalent a year",
        equivalent,
        f"methane times {found.warming.methane:g}: {found.warming.source}",
    )


def _total(worth: Worth) -> Iterator[Step]:
    found = worth.total
    if found is not None:
        how = (
            f"every tick since {rfc3339(found.from_us)}, heard {figure(found.heard_h)} of "
            f"{figure(found.passed_h)} h"
        )
        yield Step("lost since it began", ranged(found.mass_kg, "kg"), how)


def _said(row: Assumed) -> str:
    return f"{row.text} ({_origin(row)})"


def _origin(row: Assumed) -> str:
    by = f" by {row.author}" if row.author else ""
    when = f", {rfc3339(row.recorded_us)[:10]}" if row.recorded_us else ""
    return f"{row.origin.value if row.text else 'as listed for the fluid'}{by}{when}"
