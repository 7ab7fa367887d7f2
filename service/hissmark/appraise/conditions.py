"""Pressures and temperature of a valve at a moment: from its tags, else from what is assumed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hissmark.engine.register import Channel
from hissmark.store.reader import Reader
from hissmark.worth.assumptions import Assumptions
from hissmark.worth.flow import State
from hissmark.worth.media import Phase, saturation_k
from hissmark.worth.trace import Step
from hissmark.worth.units import ATMOSPHERE_PA

BAR_PA = 1e5
US = 1_000_000
LOOK_BACK_US = (600 * US, 3600 * US, 86_400 * US)
"""How far back the last value of a pressure tag is looked for, nearest first; an older one counts no more."""


@dataclass(frozen=True, slots=True)
class Conditions:
    """The state, None if a pressure is not known, and where it comes from."""

    state: State | None
    steps: tuple[Step, ...]


def last_values(reader: Reader, tags: list[str], at_us: int) -> dict[str, float]:
    """The last stored value of each tag within a day up to a moment; tags without one are left out."""
    found: dict[str, float] = {}
    for back_us in LOOK_BACK_US:
        wanted = [tag for tag in tags if tag and tag not in found]
        if not wanted:
            break
        for batch in reader.raw(wanted, at_us - back_us, at_us + 1):
            for series in np.unique(batch.series).tolist():
                found[wanted[series]] = float(batch.value[np.flatnonzero(batch.series == series)[-1]])
    return found


def conditions_of(
    channel: Channel, assumed: Assumptions, values: dict[str, float], difference_bar: float | None = None
) -> Conditions:
    """State of a valve from its tags' values; `difference_bar` helps where only one side is known."""
    from_atmosphere = ATMOSPHERE_PA if assumed.text("pressure tags") == "gauge" else 0.0
    steps: list[Step] = []
    up = _side("upstream", channel.upstream_pressure, assumed, values, from_atmosphere, steps)
    down = _side("downstream", channel.downstream_pressure, assumed, values, from_atmosphere, steps)
    if up is None and down is not None and difference_bar is not None:
        up = down + difference_bar * BAR_PA
        steps.append(
            Step("pressure before it", f"{up / BAR_PA:.3g} bar absolute", "difference heard, over downstream")
        )
    if up is None or down is None:
        return Conditions(None, tuple(steps))
    high, low = max(up, down), max(0.0, min(up, down))
    temperature = _temperature(assumed, high, steps)
    return Conditions(State(high, low, temperature), tuple(steps))


def _side(
    name: str,
    tag: str | None,
    assumed: Assumptions,
    values: dict[str, float],
    from_pa: float,
    steps: list[Step],
) -> float | None:
    where = "before it" if name == "upstream" else "behind it"
    if tag and tag in values:
        absolute = values[tag] * BAR_PA + from_pa
        how = f"tag {tag}, {values[tag]:.4g} bar {'gauge' if from_pa else 'absolute'}"
        steps.append(Step(f"pressure {where}", f"{absolute / BAR_PA:.4g} bar absolute", how))
        return absolute
    stated = assumed.number(name)
    if stated is not None:
        row = assumed.rows[name]
        steps.append(
            Step(f"pressure {where}", f"{stated / BAR_PA:.4g} bar absolute", f"{row.text}, {row.origin}")
        )
    return stated


def _temperature(assumed: Assumptions, upstream_pa: float, steps: list[Step]) -> float:
    medium = assumed.medium
    if medium is not None and medium.phase is Phase.STEAM:
        kelvin, how = saturation_k(upstream_pa), "dry saturated at the pressure before it"
    else:
        kelvin, how = assumed.number("temperature") or 293.15, assumed.rows["temperature"].origin.value
    steps.append(Step("temperature", f"{kelvin - 273.15:.0f} °C", how))
    return kelvin
