"""Transmission losses and couplings of a group as believed now: the register, and what was learned since."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from hissmark.engine.engine import Engine


@dataclass(frozen=True, slots=True)
class PairLoss:
    """Loss from one channel to its neighbour, dB. `register_db` is what the register says by itself."""

    from_: str
    to: str
    loss_db: float
    sd_db: float
    register_db: float
    register_sd_db: float


@dataclass(frozen=True, slots=True)
class Coupling:
    """How much better a sensor hears its valve than the ordinary one, dB."""

    channel: str
    subject: str
    coupling_db: float
    sd_db: float


@dataclass(frozen=True, slots=True)
class Losses:
    """Of one group. `measured`: how many openings and repairs of its valves were learned from."""

    group: str
    measured: int
    pairs: tuple[PairLoss, ...]
    couplings: tuple[Coupling, ...]


def losses_of(engine: Engine, group: int) -> Losses:
    """What the judgement uses of one group."""
    layout, acoustics, geometry = engine.layout, engine.stepper.acoustics, engine.stepper.geometry
    first, count = int(layout.first[group]), int(layout.count[group])
    members = layout.channels[first : first + count]
    places = geometry.place.shape[1]
    mean = acoustics.mean[group]
    sd = np.sqrt(np.diagonal(acoustics.covariance[group]).astype(np.float64))
    pairs = tuple(
        PairLoss(
            members[i].subject, members[i + 1].subject, float(mean[places + i]), float(sd[places + i]),
            float(geometry.step_db[group, i + 1]), float(geometry.step_sd_db[group, i + 1]),
        )
        for i in range(count - 1)
    )  # fmt: skip
    couplings = tuple(
        Coupling(c.name, c.subject, float(mean[i]), float(sd[i])) for i, c in enumerate(members)
    )
    return Losses(layout.group_names[group], int(acoustics.measured[group]), pairs, couplings)
