"""A leak's worth as JSON and in sentences: for pages, API, commands, reports. No number without its
interval.
"""

from __future__ import annotations

import math

import numpy as np
from typing_extensions import TypedDict

from hissmark.appraise.appraiser import Worth
from hissmark.appraise.origins import trace_of
from hissmark.publish.times import rfc3339, rfc3339_or_none
from hissmark.store.calibrations import Calibration
from hissmark.worth.assumptions import KINDS, density_at_standard
from hissmark.worth.media import Phase
from hissmark.worth.prediction import HIGH, LOW, MIDDLE, Status, widening
from hissmark.worth.seat_class import Compared
from hissmark.worth.trace import Range, Step, figure, ranged

CAUTION = (
    "An estimate from sound, for deciding what to repair first. It is no measurement for trade, tax or "
    "compliance: "
    "what must be reported, and how, local regulations decide."
)
HOUR_S = 3600.0
PICTURE_POINTS = 41


class RangeShape(TypedDict):
    """5 %, 50 % and 95 % of what it may be."""

    low: float
    middle: float
    high: float


class OpenRange(TypedDict):
    """The same; null where it may be without end."""

    low: float | None
    middle: float | None
    high: float | None


class StepShape(TypedDict):
    """A quantity on the way to a number."""

    what: str
    value: str
    how: str


class LossShape(TypedDict):
    """What is lost; money null without a price, pay-back null without both price and repair cost. A `high` of
    null in `pay_back_days` means that it may never pay.
    """

    kg_h: RangeShape
    kg_year: RangeShape
    kwh_h: RangeShape | None
    money_h: RangeShape | None
    money_year: RangeShape | None
    currency: str
    repair_cost: float | None
    pay_back_days: OpenRange | None


class EmissionsShape(TypedDict):
    """kg a year that reach the air; `warming` names the set of global warming potentials."""

    methane_kg_year: RangeShape
    carbon_dioxide_kg_year: RangeShape
    equivalent_kg_year: RangeShape
    warming: str
    source: str


class TotalShape(TypedDict):
    """Lost since the standing alarm was raised, over the hours that were heard."""

    since: str
    kg: RangeShape
    money: RangeShape | None
    heard_h: float
    passed_h: float


class ClassShape(TypedDict):
    """One seat class: what it allows at its test, and how likely the leak is more than that."""

    standard: str
    name: str
    allowed_ml_min: float | None
    test: str
    how: str
    needs: str
    probability_above: float | None


class AssumptionShape(TypedDict):
    """One assumption in force, with who stated it when, and why."""

    name: str
    text: str
    meaning: str
    example: str
    origin: str
    author: str
    reason: str
    recorded_at: str | None


class PointShape(TypedDict):
    """A measured leak. `counts` is false once it is superseded or taken back; `leverage` and `left_out`
    (probability
    of a point as far off as this one, predicted from the others) are null outside a regression."""

    id: int
    valve: str
    at: str
    recorded_at: str
    author: str
    reason: str
    counts: bool
    supersedes: int | None
    typed: dict[str, str]
    fluid: str
    level_db: float
    rate_kg_h: float
    uncertainty: float
    leverage: float | None
    left_out: float | None
    shown_level_db: float
    steps: list[StepShape]


class LineShape(TypedDict):
    """The regression as a picture: rates in kg/h over leak-only levels at the pressures of now."""

    level_db: list[float]
    low: list[float]
    middle: list[float]
    high: list[float]


class BoundShape(TypedDict):
    """The most that can pass by process tags alone (95 %), and where that is from."""

    most_kg_h: float
    steps: list[StepShape]


class WorthShape(TypedDict):
    """The worth of a valve's leak. `rate_kg_h` is null where there is none to give; `needs` then says why."""

    valve: str
    group: str
    at: str | None
    verdict: str
    status: str
    needs: str
    sentence: str
    fluid: str
    rate_kg_h: OpenRange | None
    rate_m3_h: OpenRange | None
    interval: float
    leak_db: float | None
    notes: list[str]
    loss: LossShape | None
    emissions: EmissionsShape | None
    total: TotalShape | None
    classes: list[ClassShape]
    assumptions: list[AssumptionShape]
    points: list[PointShape]
    line: LineShape | None
    bound: BoundShape | None
    trace: list[StepShape]
    caution: str


def worth_shape(worth: Worth) -> WorthShape:
    """Everything about one valve's worth."""
    medium = worth.medium
    by_volume = medium is not None and medium.phase is not Phase.STEAM
    return {
        "valve": worth.valve,
        "group": worth.group,
        "at": rfc3339_or_none(worth.at_us),
        "verdict": worth.verdict,
        "status": worth.estimate.status.value,
        "needs": worth.estimate.needs,
        "sentence": sentence(worth),
        "fluid": medium.name if medium else "",
        "rate_kg_h": _rate(worth, HOUR_S),
        "rate_m3_h": _rate(worth, HOUR_S / density_at_standard(medium)) if by_volume and medium else None,
        "interval": 0.9,
        "leak_db": worth.estimate.leak_db,
        "notes": list(worth.estimate.notes),
        "loss": _loss(worth),
        "emissions": _emissions(worth),
        "total": _total(worth),
        "classes": [_class(row) for row in worth.classes],
        "assumptions": _assumptions(worth),
        "points": _points(worth),
        "line": _line(worth),
        "bound": _bound(worth),
        "trace": [step_shape(s) for s in trace_of(worth)],
        "caution": CAUTION,
    }


def sentence(worth: Worth) -> str:
    """What one would say of it: the rate with its interval, or what is missing."""
    found = worth.estimate
    if found.rate_kg_s is None:
        return found.needs
    kg_h = found.rate_kg_s.times(HOUR_S)
    if found.status is Status.AT_MOST:
        return f"At most {figure(kg_h.high)} kg/h leak through. {found.needs}"
    fluid = f" of {worth.medium.name}" if worth.medium else ""
    own = worth.fitted.fit.own if worth.fitted.fit else 0
    basis = f"from {own} measured leak{'' if own == 1 else 's'}"
    said = (
        f"About {figure(kg_h.middle)} kg/h{fluid} leak through ({figure(kg_h.low)} to {figure(kg_h.high)}, "
        "90 "
        f"%, {basis})."
    )
    year = worth.loss.money_year if worth.loss else None
    if year is not None:
        said += f" That is {ranged(year, worth.assumed.currency)} a year."
    return said


def brief(worth: Worth) -> str:
    """The same in a few words for a list: ``3.1 kg/h (1.2 to 8)``; empty without a rate."""
    rate = worth.estimate.rate_kg_s
    if rate is None:
        return ""
    kg_h = rate.times(HOUR_S)
    return (
        f"at most {figure(kg_h.high)} kg/h"
        if worth.estimate.status is Status.AT_MOST
        else ranged(kg_h, "kg/h")
    )


def step_shape(step: Step) -> StepShape:
    return {"what": step.what, "value": step.value, "how": step.how}


def _rate(worth: Worth, factor: float) -> OpenRange | None:
    """The rate in other units; of an upper limit only its high end is told."""
    rate = worth.estimate.rate_kg_s
    if rate is None:
        return None
    found = _open(rate.times(factor))
    if found is not None and worth.estimate.status is Status.AT_MOST:
        found["middle"] = None
    return found


def _range(value: Range) -> RangeShape:
    return {"low": value.low, "middle": value.middle, "high": value.high}


def _maybe(value: Range | None) -> RangeShape | None:
    return None if value is None else _range(value)


def _open(value: Range | None) -> OpenRange | None:
    """JSON has no infinity: what may be without end is null."""
    if value is None:
        return None
    low, middle, high = (v if math.isfinite(v) else None for v in (value.low, value.middle, value.high))
    return {"low": low, "middle": middle, "high": high}


def _loss(worth: Worth) -> LossShape | None:
    found = worth.loss
    if found is None:
        return None
    return {
        "kg_h": _range(found.kg_h),
        "kg_year": _range(found.kg_year),
        "kwh_h": _maybe(found.kwh_h),
        "money_h": _maybe(found.money_h),
        "money_year": _maybe(found.money_year),
        "currency": worth.assumed.currency,
        "repair_cost": worth.assumed.repair_cost,
        "pay_back_days": _open(found.pay_back_days),
    }


def _emissions(worth: Worth) -> EmissionsShape | None:
    found = worth.emissions
    if found is None:
        return None
    return {
        "methane_kg_year": _range(found.methane_kg_year),
        "carbon_dioxide_kg_year": _range(found.carbon_dioxide_kg_year),
        "equivalent_kg_year": _range(found.equivalent_kg_year),
        "warming": found.warming.name,
        "source": found.warming.source,
    }


def _total(worth: Worth) -> TotalShape | None:
    found = worth.total
    if found is None:
        return None
    upstream = worth.there.state.upstream_pa if worth.there.state else None
    price = worth.assumed.price_kg(worth.medium, upstream) if worth.medium else None
    return {
        "since": rfc3339(found.from_us),
        "kg": _range(found.mass_kg),
        "money": _range(found.mass_kg.times(price)) if price is not None else None,
        "heard_h": found.heard_h,
        "passed_h": found.passed_h,
    }


def _bound(worth: Worth) -> BoundShape | None:
    if worth.bound is None:
        return None
    most = worth.bound.most_kg_s * HOUR_S
    return {"most_kg_h": most, "steps": [step_shape(s) for s in worth.bound.steps]}


def _class(row: Compared) -> ClassShape:
    allowed = row.allowed
    return {
        "standard": allowed.standard,
        "name": allowed.name,
        "allowed_ml_min": allowed.ml_min,
        "test": f"{allowed.fluid} at {figure(allowed.test_pa / 1e5)} bar",
        "how": allowed.how,
        "needs": allowed.needs,
        "probability_above": row.probability_above,
    }


def _assumptions(worth: Worth) -> list[AssumptionShape]:
    return [
        {
            "name": row.name,
            "text": row.text,
            "meaning": KINDS[row.name].meaning,
            "example": KINDS[row.name].example,
            "origin": row.origin.value,
            "author": row.author,
            "reason": row.reason,
            "recorded_at": rfc3339_or_none(row.recorded_us),
        }
        for row in worth.assumed.rows.values()
    ]


def _points(worth: Worth) -> list[PointShape]:
    """The points of the regression, own ones first."""
    made, now_db = worth.fitted.fit, _power_now_db(worth)
    rows = []
    for i, row in enumerate(worth.fitted.used):
        shape = point_shape(row, counts=True)
        if made is not None:
            shape["leverage"] = float(made.leverage[i])
            shape["left_out"] = None if math.isnan(made.left_out[i]) else float(made.left_out[i])
        if made is not None and now_db is not None:
            shape["shown_level_db"] = row.level_db - made.points[i].power_db + now_db
        rows.append(shape)
    return rows


def point_shape(row: Calibration, counts: bool) -> PointShape:
    """A measured leak on record."""
    return {
        "id": row.id,
        "valve": row.valve,
        "at": rfc3339(row.at_us),
        "recorded_at": rfc3339(row.recorded_us),
        "author": row.author,
        "reason": row.reason,
        "counts": counts,
        "supersedes": row.supersedes,
        "typed": dict(row.typed),
        "fluid": row.medium,
        "level_db": row.level_db,
        "rate_kg_h": row.rate_kg_s * HOUR_S,
        "uncertainty": 10 ** (2 * row.sd_decades) - 1,
        "leverage": None,
        "left_out": None,
        "shown_level_db": row.level_db,
        "steps": [{"what": what, "value": value, "how": how} for what, value, how in row.steps],
    }


def _power_now_db(worth: Worth) -> float | None:
    power = worth.estimate.power
    return power.level_db if power is not None else None


def _line(worth: Worth) -> LineShape | None:
    """The regression over the levels that matter: its points and the level of now."""
    made, medium = worth.fitted.fit, worth.medium
    if made is None or medium is None:
        return None
    power_db = _power_now_db(worth)
    power_db = made.usual_power_db if power_db is None else power_db
    levels = [p.level_db - p.power_db + power_db for p in made.points[: made.own]]
    levels += [worth.estimate.leak_db] if worth.estimate.leak_db is not None else []
    grid = np.linspace(min(levels) - 6.0, max(levels) + 6.0, PICTURE_POINTS)
    extra, _ = widening(worth.fitted.basis, medium, worth.estimate.power)
    spread = made.predict(grid, power_db).widened(extra)
    low, middle, high = ((HOUR_S * 10.0 ** spread.quantile(p)).tolist() for p in (LOW, MIDDLE, HIGH))
    return {"level_db": grid.tolist(), "low": low, "middle": middle, "high": high}
