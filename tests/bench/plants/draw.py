"""The parameters of one group, drawn from wide ranges. Dimensions: n channels in pipe order, k modes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .noise import log_uniform

F64 = npt.NDArray[np.float64]

COUPLING_SD_DB = 2.0
"""How differently sensors couple."""
STEP_SD_DB, UNEVEN_SD_DB = 0.8, 0.6
"""What makes the loss of a step, and between any two places, other than joints and length would."""
DISTANCES_M = 0.5, 20.0
MEASURED_SD, MEASURED_WITHIN = 0.15, (0.6, 1.4)
"""How far lengths in the register are off, as a factor."""
MISCOUNTED = [-1, 0, 0, 0, 1]
"""By how many joints the register may be off, all as likely."""


@dataclass(frozen=True)
class Pipe:
    """Valves, reference points and the losses between them.

    Attributes:
        valve: bool[n]. loss_db: float64[n, n], symmetric. distance_m, joints: what the register says of the
            step from the previous position, NaN where it says nothing.
    """

    valve: npt.NDArray[np.bool_]
    loss_db: F64
    distance_m: F64
    joints: F64


@dataclass(frozen=True)
class Sound:
    """Background of the channels: levels float64[n]; mode_db float64[k, n] added level, -99 if unaffected."""

    background_db: F64
    fast_sd: F64
    fast_tau_s: float
    slow_sd: F64
    slow_tau_s: float
    common_sd: float
    diurnal_db: float
    diurnal_own_db: F64
    drift_sd: float
    mode_db: F64
    mode_hours: F64


@dataclass(frozen=True)
class Rates:
    """How often nuisances come, per day, and which of the group's valves are worked."""

    outside: float
    even: float
    knocks: float
    rain: float
    vehicles: float
    gaps: float
    outages: float
    pressure: float
    opens: F64


@dataclass(frozen=True)
class Known:
    """What the plant tells the service besides levels."""

    position: npt.NDArray[np.bool_]
    pressure: bool
    condition: bool


@dataclass(frozen=True)
class Spec:
    """Everything fixed about one group."""

    pipe: Pipe
    sound: Sound
    rates: Rates
    known: Known
    cadence_s: npt.NDArray[np.int64]
    grid_s: int
    quantum_db: F64
    coupling_db: F64
    floor_db: F64
    difference_bar: float

    @property
    def width(self) -> int:
        return len(self.cadence_s)


@dataclass(frozen=True)
class Hardness:
    """How far apart and how restless the places of a group are.

    Attributes:
        joints: fewest and most flanged joints between neighbours, upper bound excluded. per_joint_db,
            per_m_db: loss of one. step_db: bounds of the loss from one place to the next.
        background_step_db: bounds of the largest difference between the backgrounds of neighbours.
        modes: probability of 1, 2, 3 and 4 operating conditions. mode_db: what a process change adds over the
            background, lowest and highest. machine_db: the same for a machine beside the pipe. mode_hours:
            usual length of a visit.
        outside_per_day, opens_per_day: bounds of the rates, drawn by their logarithm.
        opens_share: share of the valves with a known position that are worked at all.
    """

    joints: tuple[int, int]
    per_joint_db: tuple[float, float]
    per_m_db: tuple[float, float]
    step_db: tuple[float, float]
    background_step_db: tuple[float, float]
    modes: tuple[float, float, float, float]
    mode_db: tuple[float, float]
    machine_db: tuple[float, float]
    mode_hours: tuple[float, float]
    outside_per_day: tuple[float, float]
    opens_per_day: tuple[float, float]
    opens_share: float


ORDINARY = Hardness(
    (1, 6), (1.5, 4.0), (0.1, 0.5), (2.0, 20.0), (1.0, 6.0), (0.45, 0.35, 0.12, 0.08),
    (-6.0, 8.0), (0.0, 12.0), (6.0, 120.0), (0.02, 0.15), (0.01, 0.2), 0.4,
)  # fmt: skip
"""Plants on which the plain survey rule mostly holds: the highest rise is the source for about nine leaks in
ten, and a threshold on each channel cries wolf 36 to 59 times a valve-year."""
HARSH = Hardness(
    (0, 5), (0.8, 2.5), (0.1, 0.5), (1.0, 8.0), (2.0, 15.0), (0.3, 0.35, 0.2, 0.15),
    (-6.0, 12.0), (0.0, 18.0), (4.0, 96.0), (0.03, 0.5), (0.01, 0.6), 0.5,
)  # fmt: skip
"""Plants on which the rule fails for one leak in three: neighbours a decibel apart under sensors that differ
by two, backgrounds up to 15 dB apart, and twice the disturbance."""


def draw_spec(rng: np.random.Generator, hard: Hardness = ORDINARY) -> Spec:
    """Draw a group: 3 to 9 valves, 0 to 2 reference points."""
    pipe = _pipe(rng, hard)
    n = len(pipe.valve)
    cadence = _cadence(rng, n)
    position = pipe.valve & (rng.random(n) < 0.85)
    return Spec(
        pipe=pipe,
        sound=_sound(rng, n, hard),
        rates=_rates(rng, pipe.valve, position, hard),
        known=Known(position, bool(rng.random() < 0.5), bool(rng.random() < 0.35)),
        cadence_s=cadence,
        grid_s=10 if int(cadence.min()) < 60 else 60,
        quantum_db=np.full(n, rng.choice([0.1, 0.2, 0.25, 0.5, 1.0])),
        coupling_db=rng.normal(0.0, COUPLING_SD_DB, n),
        floor_db=rng.uniform(0.0, 10.0, n),
        difference_bar=log_uniform(rng, 3.0, 80.0),
    )


def _pipe(rng: np.random.Generator, hard: Hardness) -> Pipe:
    valves = int(rng.integers(3, 10))
    at_ends = int(rng.choice([0, 1, 2], p=[0.45, 0.3, 0.25]))
    first = at_ends == 2 or (at_ends == 1 and rng.random() < 0.6)
    last = at_ends == 2 or (at_ends == 1 and not first)
    valve = np.array([False] * first + [True] * valves + [False] * last)
    n = len(valve)
    joints = rng.integers(*hard.joints, n - 1).astype(np.float64)
    distance = np.array([log_uniform(rng, *DISTANCES_M) for _ in range(n - 1)])
    per_joint, per_m = rng.uniform(*hard.per_joint_db), rng.uniform(*hard.per_m_db)
    step = step_losses(rng, joints * per_joint + distance * per_m, hard)
    along = np.concatenate(([0.0], np.cumsum(step)))
    uneven = np.triu(rng.normal(0.0, UNEVEN_SD_DB, (n, n)), 1)
    loss = np.maximum(np.abs(along[:, None] - along[None, :]) + uneven + uneven.T, 1.0)
    np.fill_diagonal(loss, 0.0)
    return Pipe(valve, loss, *_register_columns(rng, distance, joints))


def step_losses(rng: np.random.Generator, expected_db: F64, hard: Hardness) -> F64:
    """Losses of steps of which joints and length tell so much, dB; any shape."""
    return np.clip(expected_db + rng.normal(0.0, STEP_SD_DB, expected_db.shape), *hard.step_db)


def _register_columns(rng: np.random.Generator, distance: F64, joints: F64) -> tuple[F64, F64]:
    """What somebody wrote into the register: roughly right, partly or wholly missing."""
    missing = rng.choice([0.0, 0.3, 1.0], p=[0.4, 0.2, 0.4])
    distance = np.round(distance * rng.normal(1.0, MEASURED_SD, len(distance)).clip(*MEASURED_WITHIN), 1)
    joints = np.maximum(joints + rng.choice(MISCOUNTED, len(joints)), 0)
    distance[rng.random(len(distance)) < missing] = np.nan
    joints[rng.random(len(joints)) < missing] = np.nan
    return np.concatenate(([np.nan], distance)), np.concatenate(([np.nan], joints))


def _sound(rng: np.random.Generator, n: int, hard: Hardness) -> Sound:
    background = np.empty(n)
    background[0] = rng.uniform(15.0, 55.0)
    spread = rng.uniform(*hard.background_step_db)
    for i in range(1, n):
        background[i] = np.clip(background[i - 1] + rng.uniform(-spread, spread), 15.0, 55.0)
    sd = np.array([log_uniform(rng, 0.2, 1.5) for _ in range(n)])
    share = rng.uniform(0.2, 0.9, n)
    modes = int(rng.choice([1, 2, 3, 4], p=hard.modes))
    return Sound(
        background_db=background,
        fast_sd=sd * np.sqrt(share),
        fast_tau_s=log_uniform(rng, 2.0, 120.0),
        slow_sd=sd * np.sqrt(1.0 - share),
        slow_tau_s=log_uniform(rng, 300.0, 3600.0),
        common_sd=float(rng.uniform(0.0, 0.5)),
        diurnal_db=float(rng.uniform(0.0, 3.0)),
        diurnal_own_db=rng.uniform(0.0, 0.4, n),
        drift_sd=float(rng.uniform(0.1, 0.8)),
        mode_db=_modes(rng, modes, background, hard),
        mode_hours=np.array([log_uniform(rng, *hard.mode_hours) for _ in range(modes)]),
    )


def _modes(rng: np.random.Generator, modes: int, background: F64, hard: Hardness) -> F64:
    """Level each operating condition adds at each channel; the first adds nothing."""
    n = len(background)
    added = np.full((modes, n), -99.0)
    for k in range(1, modes):
        if rng.random() < 0.6:  # a process change: every channel answers in its own way
            hit = rng.random(n) < rng.uniform(0.5, 1.0)
            hit[rng.permutation(n)[:2]] = True  # one channel alone could not be told from a leak by anyone
            added[k, hit] = (background + rng.uniform(*hard.mode_db, n))[hit]
        else:  # a machine somewhere along the pipe, heard with loss on both sides
            at = rng.uniform(-2.0, n + 1.0)
            fall = rng.uniform(0.3, 2.5) * np.abs(np.arange(n) - at)
            added[k] = np.median(background) + rng.uniform(*hard.machine_db) - fall + rng.normal(0.0, 1.5, n)
    return added


def _rates(
    rng: np.random.Generator, valve: npt.NDArray[np.bool_], position: npt.NDArray[np.bool_], hard: Hardness
) -> Rates:
    def some(share: float, low: float, high: float) -> float:
        return log_uniform(rng, low, high) if rng.random() < share else 0.0

    worked = (hard.opens_share, *hard.opens_per_day)
    opens = np.array([some(*worked) if p else some(0.4, 0.02, 0.2) for p in position]) * valve
    return Rates(
        outside=some(0.7, *hard.outside_per_day),
        even=some(0.5, 0.02, 0.12),
        knocks=some(0.9, 2.0, 100.0),
        rain=some(0.6, 0.03, 0.25),
        vehicles=some(0.5, 0.3, 10.0),
        gaps=some(0.7, 0.02, 0.5),
        outages=some(0.3, 0.02, 0.1),
        pressure=some(0.5, 0.03, 0.2),
        opens=opens,
    )


def _cadence(rng: np.random.Generator, n: int) -> npt.NDArray[np.int64]:
    """Sampling interval of each channel in seconds: a minute mostly, groups of other kinds and mixed ones."""
    kind = rng.choice(["minute", "fast", "slow", "hourly", "mixed"], p=[0.7, 0.05, 0.14, 0.03, 0.08])
    if kind == "mixed":
        return rng.choice([60, 60, 120, 300, 600], n).astype(np.int64)
    one = {"minute": 60, "fast": 10, "slow": int(rng.choice([300, 600])), "hourly": 3600}[str(kind)]
    return np.full(n, one, np.int64)
