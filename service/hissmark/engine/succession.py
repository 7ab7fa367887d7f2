"""A group judged once more goes on under the next register as the service did: what fits is kept, by name."""

from __future__ import annotations

from collections.abc import Sequence

from hissmark.engine.change import Change
from hissmark.engine.engine import Engine
from hissmark.engine.intake import Intake
from hissmark.engine.layout import Layout
from hissmark.engine.rerun import Recorded, Rerun
from hissmark.engine.step import Stepper
from hissmark.engine.trials import Trials
from hissmark.engine.variants import Variant


def under_next(
    before: Rerun, layout: Layout, changes: Sequence[Change], actions: Sequence[Recorded]
) -> Rerun:
    """The group under the next register (`layout`: of one group) from the last tick of `before` on.

    Args:
        changes, actions: everything on record; what counted before is in the state already.
    Samples from that tick on have to be offered again.
    """
    return _begun(before, _carried(before.stepper, before.ticks.intake, layout), changes, actions)


def trials_under_next(
    before: Trials, layout: Layout, variants: Sequence[Variant], changes: Sequence[Change],
    actions: Sequence[Recorded],
) -> Trials:  # fmt: skip
    """The same for variants: each goes on with what it has heard and decided."""
    intake = before.ticks.intake
    engines = [_carried(stepper, intake, layout) for stepper in before.each()]
    following = Trials(_begun(before.rerun, engines[0], changes, actions), variants)
    following.begin_from([engine.stepper for engine in engines], before.heard_as())
    return following


def _carried(stepper: Stepper, intake: Intake, layout: Layout) -> Engine:
    """An engine under the next register with all of the state that fits."""
    engine = Engine(stepper.layout)
    engine.stepper, engine.intake = stepper, intake
    following = Engine(layout)
    following.restore(engine.snapshot())
    return following


def _begun(before: Rerun, engine: Engine, changes: Sequence[Change], actions: Sequence[Recorded]) -> Rerun:
    last_us = int(before.ticks.intake.tick_us[0])
    known = {channel.subject for channel in before.layout.channels}
    to_come = [
        row for row in actions if row[0] > last_us or (row[0] == last_us and row[1].valve not in known)
    ]
    following = Rerun(engine.layout, [], to_come)
    following.go_on_from(engine.stepper, engine.intake, [c for c in changes if c.effective_us >= last_us])
    return following
