"""How the worth of leaks is printed: a list, and one valve with everything that its numbers come from."""

from __future__ import annotations

from collections.abc import Sequence

from hissmark.appraise.appraiser import Worth
from hissmark.appraise.shapes import CAUTION, WorthShape, brief, worth_shape
from hissmark.cli.output import console, put_json, put_table, table
from hissmark.worth.trace import Range, figure, ranged


def show_all(worths: Sequence[Worth], as_json: bool) -> None:
    """Every valve, the most worth first."""
    if as_json:
        for worth in worths:
            put_json(worth_shape(worth))
        return
    rows = table("valve", "leak alone", "rate (90 %)", "loss a year", "CO2e a year", "repair pays after",
                 "missing", right=("leak alone",))  # fmt: skip
    for worth in worths:
        leak = worth.estimate.leak_db
        rows.add_row(
            worth.valve, "" if leak is None else f"{leak:.1f} dB", brief(worth), _year(worth), _air(worth),
            _pays(worth), worth.estimate.needs if worth.estimate.rate_kg_s is None else "",
        )  # fmt: skip
    out = console()
    put_table(out, rows)
    out.print(CAUTION)


def show_one(worth: Worth, as_json: bool) -> None:
    """One valve: what is said, the measured leaks, classes, assumptions, and where each number is from."""
    shape = worth_shape(worth)
    if as_json:
        put_json(shape)
        return
    out = console()
    out.print(f"{worth.valve}: {shape['sentence']}")
    for note in shape["notes"]:
        out.print(note)
    _points(shape)
    _classes(shape)
    _assumptions(shape)
    steps = table("where it comes from", "", "how")
    for step in shape["trace"]:
        steps.add_row(step["what"], step["value"], step["how"])
    out.print()
    put_table(out, steps)
    out.print()
    out.print(CAUTION)


def _points(shape: WorthShape) -> None:
    if not shape["points"]:
        return
    rows = table("measured leak", "valve", "when", "level", "rate", "leverage", "fits the others", "by",
                 right=("level", "rate", "leverage"))  # fmt: skip
    for p in shape["points"]:
        rate = f"{figure(p['rate_kg_h'])} kg/h ± {100 * p['uncertainty']:.3g} %"
        leverage = "" if p["leverage"] is None else f"{p['leverage']:.2f}"
        rows.add_row(str(p["id"]), p["valve"], p["at"], f"{p['level_db']:.1f} dB", rate, leverage,
                     fits(p["left_out"]), p["author"])  # fmt: skip
    console().print()
    put_table(console(), rows)


def fits(left_out: float | None) -> str:
    """How well a point goes with the others, in words."""
    if left_out is None:
        return "none to compare with"
    if left_out < 0.01:
        return f"hardly: 1 in {1 / max(left_out, 1e-6):.0f} would be as far off"
    return "so so" if left_out < 0.1 else "yes"


def _classes(shape: WorthShape) -> None:
    if not shape["classes"]:
        return
    rows = table("seat class", "allows", "at", "leak is above it", right=("allows",))
    for c in shape["classes"]:
        allows = f"needs {c['needs']}" if c["needs"] else f"{figure(c['allowed_ml_min'] or 0.0)} mL/min"
        above = c["probability_above"]
        rows.add_row(
            f"{c['standard']} {c['name']}", allows, c["test"], "" if above is None else f"{100 * above:.0f} %"
        )
    console().print()
    put_table(console(), rows)


def _assumptions(shape: WorthShape) -> None:
    rows = table("assumed", "", "from", "meaning")
    for a in shape["assumptions"]:
        rows.add_row(
            a["name"], a["text"] or "not known", f"{a['origin']} {a['author']}".strip(), a["meaning"]
        )
    console().print()
    put_table(console(), rows)


def _year(worth: Worth) -> str:
    year = worth.loss.money_year if worth.loss else None
    return "" if year is None else ranged(year, worth.assumed.currency)


def _air(worth: Worth) -> str:
    air = worth.emissions
    return "" if air is None else ranged(air.equivalent_kg_year.times(1e-3), "t")


def _pays(worth: Worth) -> str:
    days: Range | None = worth.loss.pay_back_days if worth.loss else None
    return "" if days is None else ranged(days, "days")
