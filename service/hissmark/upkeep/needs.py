"""Which baselines need a look, and why, the most urgent first. Pure."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

from hissmark.engine.known_baselines import Baseline

US = 1_000_000
DAY_US = 86_400 * US
DRIFTED_SHARE = 0.5
FULL_SHARE = 0.95
HELD_DAYS = 2.0
LEARNING_FACTOR = 2.0
LONE_DB = 6.0
"""A state that lifts one valve by so much more than every other looks like a leak there."""


class NeedKind(StrEnum):
    """Why a baseline needs a look."""

    AT_ITS_BOUND = "at its bound"
    SUSPECT = "suspect state"
    HELD_BY_HAND = "held by hand"
    HELD_LONG = "held long"
    DRIFTING = "drifting"
    STILL_LEARNING = "still learning"
    LITTLE_DATA = "little data"


@dataclass(frozen=True, slots=True)
class Need:
    """One baseline that needs a look. `urgency` from 0 to 1 ranks; `says` and `do` are sentences."""

    kind: NeedKind
    baseline: Baseline
    urgency: float
    says: str
    do: str


def needs_of(
    baselines: Sequence[Baseline], now_us: int, *, max_drift_db: float, learn_s: float
) -> list[Need]:
    """At most one need for each baseline (its most urgent), the most urgent first."""
    found = [
        need
        for b in baselines
        for need in (_held(b, now_us), _drifting(b, max_drift_db), _little(b, now_us, learn_s))
        if need is not None
    ]
    found += _suspect(baselines)
    worst: dict[tuple[str, int], Need] = {}
    for need in found:
        key = need.baseline.channel, need.baseline.condition
        if key not in worst or need.urgency > worst[key].urgency:
            worst[key] = need
    return sorted(worst.values(), key=lambda n: (-n.urgency, n.baseline.group, n.baseline.channel))


def _held(b: Baseline, now_us: int) -> Need | None:
    if b.held:
        do = "Release it once the reason is gone, or approve it."
        return Need(NeedKind.HELD_BY_HAND, b, 0.75, f"{b.subject} is held by hand and follows nothing.", do)
    days = (now_us - b.last_us) / DAY_US
    if not (b.learned and b.present and b.last_us and days > HELD_DAYS):
        return None
    says = (
        f"{b.subject} has followed nothing for {days:.0f} d: something is under suspicion, or never steady."
    )
    do = "Look at its verdict and the journal; if all is well, have it learned anew."
    return Need(NeedKind.HELD_LONG, b, min(0.5 + 0.02 * days, 0.7), says, do)


def _drifting(b: Baseline, max_drift_db: float) -> Need | None:
    moved = b.moved_db
    if moved is None or abs(moved) < DRIFTED_SHARE * max_drift_db:
        return None
    says = f"{b.subject} has moved by {moved:+.1f} dB since it was learned or approved."
    if abs(moved) >= FULL_SHARE * max_drift_db:
        do = "It may go no further. Has the plant changed? Approve it. Or is it a slow leak, or the sensor?"
        return Need(NeedKind.AT_ITS_BOUND, b, 0.9, says, do)
    do = "Compare with its neighbours: does the plant change, or only this one?"
    return Need(NeedKind.DRIFTING, b, 0.3 + 0.3 * abs(moved) / max_drift_db, says, do)


def _little(b: Baseline, now_us: int, learn_s: float) -> Need | None:
    if b.learned and 0 < b.floors < b.needs:
        says = f"{b.subject} was learned from {b.floors} windows only ({b.condition_name})."
        return Need(
            NeedKind.LITTLE_DATA, b, 0.2, says, "Nothing yet; look again when it has met it more often."
        )
    began = b.since_us and (now_us - b.since_us) / US > LEARNING_FACTOR * learn_s
    if not b.learned and b.present and began:
        says = f"{b.subject} is still learning, with {b.floors} of {b.needs} windows."
        do = "Is it ever closed, under pressure difference and steady? If you know a good period, take that."
        return Need(NeedKind.STILL_LEARNING, b, 0.4, says, do)
    return None


def _suspect(baselines: Sequence[Baseline]) -> list[Need]:
    """States found in the levels that differ from the ordinary one at a single channel."""
    ordinary = {b.channel: b.value_db for b in baselines if b.condition == 0 and b.value_db is not None}
    states: dict[tuple[str, int], list[tuple[float, Baseline]]] = defaultdict(list)
    for b in baselines:
        before = ordinary.get(b.channel)
        if b.condition and b.value_db is not None and before is not None and not b.approved:
            states[b.group, b.condition].append((b.value_db - before, b))
    found = []
    for rises in states.values():
        rises.sort(key=lambda row: -row[0])
        second = rises[1][0] if len(rises) > 1 else 0.0
        highest, b = rises[0]
        if highest - max(second, 0.0) >= LONE_DB:
            says = f"In {b.condition_name} {b.subject} is {highest:.0f} dB louder, far more than any other."
            do = "A leak that was there while it was learned looks like that. If not so, approve it."
            found.append(Need(NeedKind.SUSPECT, b, 0.85, says, do))
    return found
