"""From explanations and evidence to the verdict of every valve, each with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from hissmark.judge.codes import among
from hissmark.judge.verdicts import Explanation, Reason, Verdict

F32 = npt.NDArray[np.float32]
Bools = npt.NDArray[np.bool_]
U8 = npt.NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of each channel when verdicts are given; arrays over channels.

    Attributes:
        valve: bool. blocked: uint8 `Reason` for not being testable, 255 where it is.
        unsteady: uint8 `Reason`, 255 where the level is steady.
        material: bool, the rise stands out of the channel's own noise. noticeable: bool, it would keep an
            alarm from clearing.
        above: bool, the rise has reached the limit. passing: bool, evidence suffices.
        leading: bool, best explanation of the tick has this valve passing. close: bool, it passing or not is
            too close to call. known: its sound came and went by itself before.
        explanation: uint8 of the channel's group. explanation_reason: uint8.
    """

    valve: Bools
    blocked: U8
    unsteady: U8
    material: Bools
    noticeable: Bools
    above: Bools
    passing: Bools
    leading: Bools
    close: Bools
    known: Bools
    group_passes: Bools
    explanation: U8
    explanation_reason: U8
    source_reason: U8


NONE = 255


def give(standing: Standing) -> tuple[U8, U8]:
    """Verdict and reason codes of every channel, uint8. Later rules overrule earlier ones."""
    s = standing
    n = len(s.valve)
    verdict = np.full(n, Verdict.QUIET, np.uint8)
    reason = np.full(n, Reason.AT_BACKGROUND, np.uint8)

    def rule(where: Bools, new: Verdict, why: Reason | U8) -> None:
        verdict[where] = new
        reason[where] = why[where] if isinstance(why, np.ndarray) else why

    outside = among(
        s.explanation, (Explanation.EVEN_SHIFT, Explanation.OUTSIDE_NOISE, Explanation.OPEN_VALVE)
    )
    rule(s.noticeable & ~s.above, Verdict.QUIET, Reason.RISE_BELOW_THE_LIMIT)
    rule(s.noticeable & outside, Verdict.OUTSIDE_NOISE, s.explanation_reason)
    rule(s.above & (s.explanation == Explanation.UNEXPLAINED), Verdict.CONTESTED, Reason.NO_EXPLANATION_FITS)
    by_valve = among(s.explanation, (Explanation.ONE_PASSING, Explanation.TWO_PASSING))
    rule(s.above & by_valve, Verdict.UNSETTLED, Reason.WAITING_FOR_EVIDENCE)
    rule(s.above & by_valve & s.close, Verdict.CONTESTED, Reason.EXPLANATIONS_TOO_CLOSE)
    rule(s.above & by_valve & s.known, Verdict.CONTESTED, Reason.CAME_AND_WENT_BEFORE)
    rule(s.material & s.group_passes & ~s.passing, Verdict.SPILL, Reason.HEARD_FROM_THE_SOURCE)
    rule(s.passing, Verdict.PASSING, s.source_reason)
    rule(s.unsteady != NONE, Verdict.UNSETTLED, s.unsteady)
    rule(s.blocked != NONE, Verdict.NOT_TESTABLE, s.blocked)
    return verdict, reason
