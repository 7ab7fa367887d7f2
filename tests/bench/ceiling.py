"""What anybody could find at most in the simulated plants who hears nothing but levels.

PYTHONPATH=service python tests/bench/ceiling.py                     # seeds 101:104, as quality.py
PYTHONPATH=service python tests/bench/ceiling.py --seeds 51:60 --groups 40 --days 20 [--harsh]

Each leak that stands is heard once: at its usual level, without noise, over backgrounds that are known
exactly, every other sound taken off. What is left unknown are the couplings of the sensors and the losses, of
which the observer knows how the generator draws them, no more; or, in other rows, the losses themselves.
Bayes' rule then gives every valve its probability of being the source. Naming the surest first, until one
name in 200 is wrong by expectation, is the most that can be found with so few wrong: an upper bound for any
judge, which has noise, backgrounds of its own and other sounds to cope with besides.

The last rows are the same leaks heard by sensors that couple more alike than the generator's.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from plants.draw import (
    COUPLING_SD_DB,
    DISTANCES_M,
    HARSH,
    MEASURED_SD,
    MEASURED_WITHIN,
    MISCOUNTED,
    ORDINARY,
    UNEVEN_SD_DB,
    Hardness,
    Spec,
    step_losses,
)
from plants.group import GroupRun, Mix, simulate
from plants.noise import F64
from plants.plant import seeds_of
from plants.truth import STANDS_DB, Bools, Leak
from rich.console import Console
from rich.progress import track
from rich.table import Table
from scipy.special import log_ndtr, logsumexp
from scipy.stats import norm

Ints = npt.NDArray[np.intp]

HIDDEN_DB = 3.0
"""Sound further than this below a background says only that it is not louder."""
DRAWS = 400
"""Pipes drawn to average over losses that are not known."""
LEVEL_STEP_DB = 0.5
FURTHEST_DB = 12.0
"""Source levels that are tried, beyond the loudest channel."""
WRONG_SHARE = 0.005


@dataclass(frozen=True)
class Told:
    """What one leak's levels tell: probability of the likeliest valve, and whether it is the source."""

    sure: float
    right: bool


def posterior(heard_db: F64, hidden: Bools, loss_db: F64, valves: Ints, sd_db: float) -> F64:
    """Probability of each of `valves` (int[v]) to be the source, float64[v].

    Args:
        heard_db: float64[n] leak-only level as read; where `hidden` (bool[n]), what it is not above.
        loss_db: float64[draws, n, n] possible losses, all as likely. sd_db: of couplings and the like.
    """
    source = heard_db[~hidden].max() + np.arange(-0.5 * FURTHEST_DB, FURTHEST_DB, LEVEL_STEP_DB)
    scores = []
    for valve in valves:
        z = (heard_db - (source[:, None, None] - loss_db[None, :, valve, :])) / sd_db
        scores.append(logsumexp(np.where(hidden, log_ndtr(z), norm.logpdf(z)).sum(axis=2)))
    return np.asarray(np.exp(np.array(scores) - logsumexp(scores)), np.float64)


def possible_losses(rng: np.random.Generator, spec: Spec, hard: Hardness) -> F64:
    """Losses as the generator may have drawn them, given what the register says; [DRAWS, n, n] dB."""
    steps = (DRAWS, spec.width - 1)
    joints = rng.integers(*hard.joints, steps).astype(np.float64)
    distance = np.exp(rng.uniform(*np.log(DISTANCES_M), steps))
    said_m, said_joints = spec.pipe.distance_m[1:], spec.pipe.joints[1:]
    distance = np.where(
        np.isnan(said_m), distance, said_m / rng.normal(1.0, MEASURED_SD, steps).clip(*MEASURED_WITHIN)
    )
    miscounted = np.clip(said_joints + rng.choice(MISCOUNTED, steps), *np.subtract(hard.joints, (0, 1)))
    joints = np.where(np.isnan(said_joints), joints, miscounted)
    each = joints * rng.uniform(*hard.per_joint_db, (DRAWS, 1)) + distance * rng.uniform(
        *hard.per_m_db, (DRAWS, 1)
    )
    step = step_losses(rng, each, hard)
    along = np.concatenate((np.zeros((DRAWS, 1)), np.cumsum(step, axis=1)), axis=1)
    return np.abs(along[:, :, None] - along[:, None, :])


@dataclass(frozen=True)
class Observer:
    """Who listens: sensors that couple so differently (dB), and whether all losses are known."""

    coupling_sd_db: float
    knows_losses: bool

    @property
    def name(self) -> str:
        losses = "all losses, exactly" if self.knows_losses else "the register, and how losses are drawn"
        return f"{losses}; couplings {self.coupling_sd_db:g} dB"


OBSERVERS = [Observer(sd, knows) for sd in (COUPLING_SD_DB, 1.0) for knows in (True, False)]


def told_by(run: GroupRun, leak: Leak, observer: Observer, drawn: F64) -> Told:
    """What the levels of one leak tell an observer. `drawn`: losses as they may be."""
    spec = run.spec
    usual_db = np.percentile(leak.stand_db[(leak.stand_db >= STANDS_DB) & leak.testable], 90)
    arriving = spec.sound.background_db[leak.channel] + usual_db - run.truth.loss_db[leak.channel]
    under = spec.sound.background_db - HIDDEN_DB
    hidden = arriving < under
    heard = np.where(hidden, under, arriving)
    heard = heard + spec.coupling_db * (observer.coupling_sd_db / COUPLING_SD_DB)
    valves = np.flatnonzero(spec.pipe.valve)
    losses, uneven = (run.truth.loss_db[None], 0.0) if observer.knows_losses else (drawn, UNEVEN_SD_DB)
    chance = posterior(heard, hidden, losses, valves, float(np.hypot(observer.coupling_sd_db, uneven)))
    return Told(float(chance.max()), bool(valves[chance.argmax()] == leak.channel))


def judge_groups(seed: int, groups: int, days: float, hard: Hardness) -> list[list[Told]]:
    """Every leak of a plant that stands, as each of `OBSERVERS` hears it."""
    told: list[list[Told]] = [[] for _ in OBSERVERS]
    for index in range(groups):
        run = simulate(seed, index, days, Mix(harsh=hard is HARSH))
        drawn = possible_losses(np.random.default_rng([seed, index]), run.spec, hard)
        for leak in run.truth.leaks:
            if leak.learning or leak.passes_at(False) is None:
                continue
            for each, observer in zip(told, OBSERVERS, strict=True):
                each.append(told_by(run, leak, observer, drawn))
    return told


def most_named(told: list[Told], wrong_share: float = WRONG_SHARE) -> float:
    """Largest share that can be named, surest first, with no more than this share wrong by expectation."""
    doubt = np.sort([1.0 - t.sure for t in told])
    fine = np.flatnonzero(np.cumsum(doubt) <= wrong_share * np.arange(1, len(doubt) + 1))
    return float(fine[-1] + 1) / len(doubt) if len(fine) else 0.0


def main() -> None:
    """Entry point."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="101:104", metavar="FIRST:LAST, or 3,5,8")
    parser.add_argument("--groups", type=int, default=100)
    parser.add_argument("--days", type=float, default=40.0)
    parser.add_argument("--harsh", action="store_true")
    args = parser.parse_args()
    hard = HARSH if args.harsh else ORDINARY
    told: list[list[Told]] = [[] for _ in OBSERVERS]
    for seed in track(seeds_of(args.seeds), "plants"):
        for mine, found in zip(told, judge_groups(seed, args.groups, args.days, hard), strict=True):
            mine.extend(found)
    table = Table("known besides the levels", "likeliest valve is the source", "at most found, 0.5 % wrong")
    for observer, each in zip(OBSERVERS, told, strict=True):
        right = sum(t.right for t in each) / len(each)
        table.add_row(observer.name, f"{right:.1%}", f"{most_named(each):.1%} of {len(each)}")
    Console().print(table)


if __name__ == "__main__":
    main()
