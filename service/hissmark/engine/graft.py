"""A group that was judged once more takes its place in the running engine."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from hissmark.engine.fitting import Fit, names_of
from hissmark.engine.snapshot import engine_parts, put

if TYPE_CHECKING:
    from hissmark.engine.engine import Engine


def graft(source: Engine, target: Engine) -> None:
    """Make the groups of `source` in `target` what they are in `source`: state, and samples that wait.

    Both have the same register and settings for these groups; tuned settings and changes stay the target's,
    which has them all. The target's other groups are not touched.
    """
    fit = Fit.of(names_of(source.layout), target.layout)
    pairs = zip(engine_parts(source), engine_parts(target), strict=True)
    for (prefix, have, names, axis), (_, want, _, _) in pairs:
        for name in names:
            if prefix != "acoustics" and not put(
                getattr(want, name), getattr(have, name), fit.pairs(axis), axis
            ):
                raise ValueError(f"{prefix} {name} of two engines with the same settings differ in shape")
    acoustics = target.stepper.acoustics
    for group in fit.group[0].tolist():
        acoustics.forget(group)
    learned = source.stepper.acoustics
    acoustics.take_over({n: getattr(learned, n) for n in learned.STATE_GROUP}, *fit.pipework)
    acoustics.refresh(np.arange(len(target.layout.group_names)))
    _alarms(source, target)
    there = np.full(len(source.layout.input_series), -1, np.int32)
    there[fit.input[1]] = fit.input[0]
    target.intake.take_pending(source.intake, there)


def _alarms(source: Engine, target: Engine) -> None:
    """The last entry of each alarm."""
    subjects = [channel.subject for channel in source.layout.channels]
    index = target.stepper.alarms.index
    mine = {index[subject] for subject in subjects}
    last = {key: entry for key, entry in target.stepper.alarms.last.items() if key[1] not in mine}
    for (kind, place), entry in source.stepper.alarms.last.items():
        last[kind, index[subjects[place]]] = entry
    target.stepper.alarms.last = last
