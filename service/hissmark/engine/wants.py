"""What would change a verdict: how far each limit is from being met."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from hissmark.engine.telling import Background, Gathered, Lacking, Score, Test, Voice, Want
from hissmark.judge.verdicts import Explanation, Reason, Verdict
from hissmark.signal.levels import RESOLVABLE_DIFFERENCE_DB

if TYPE_CHECKING:
    from hissmark.engine.register import Channel
    from hissmark.engine.settings import CoreSettings


def wants_of(
    settings: CoreSettings, channel: Channel, at_us: int, voices: tuple[Voice, ...],
    scores: tuple[Score, ...], background: Background, evidence: Gathered | None, test: Test,
) -> tuple[Want, ...]:  # fmt: skip
    """What the valve lacks, the nearest obstacle first; of a passing valve what would end it."""
    own = next(v for v in voices if v.channel == channel.name)
    if not own.is_valve:
        return ()
    if own.verdict is Verdict.NOT_TESTABLE:
        return tuple(_to_be_testable(settings, channel, at_us, own, background, test))
    if own.verdict is Verdict.PASSING:
        return tuple(_to_end(settings, own, evidence))
    first = (*_to_be_steady(settings, own.reason, test), *_to_be_blamed(own, test))
    return first + tuple(_to_pass(settings, own, voices, scores, evidence))


def _to_be_testable(
    settings: CoreSettings, channel: Channel, at_us: int, own: Voice, background: Background, test: Test
) -> Iterator[Want]:
    closed = channel.closed_when
    pressures = " and ".join(t for t in (channel.upstream_pressure, channel.downstream_pressure) if t)
    match own.reason:
        case Reason.OPEN:
            said = f"{closed.tag} {closed.op} {closed.limit:g}" if closed else None
            yield Want(Lacking.CLOSED, other=said)
        case Reason.JUST_STROKED:
            yield Want(
                Lacking.SETTLED, settings.judge.settle_s - test.settle_left_s, settings.judge.settle_s, "s"
            )
        case Reason.POSITION_NOT_HEARD:
            yield Want(Lacking.POSITION, other=closed.tag if closed else None)
        case Reason.PRESSURE_NOT_HEARD:
            yield Want(Lacking.PRESSURES, other=pressures or None)
        case Reason.NO_PRESSURE_DIFFERENCE:
            yield Want(
                Lacking.DIFFERENCE, test.difference_bar, settings.judge.min_difference_bar, "bar", pressures
            )
        case Reason.NO_FRESH_DATA:
            age_s = None if test.last_us is None else (at_us - test.last_us) / 1e6
            yield Want(Lacking.DATA, age_s, settings.signal.stale_s, "s", channel.source)
        case Reason.SENSOR_FAULT:
            yield Want(Lacking.SENSOR, other=own.health.text)
        case Reason.BASELINE_LEARNING:
            yield from _to_be_learned(at_us, background)


def _to_be_learned(at_us: int, background: Background) -> Iterator[Want]:
    if background.windows < background.windows_wanted:
        yield Want(Lacking.WINDOWS, background.windows, background.windows_wanted, "windows")
    heard_h = 0.0 if background.since_us is None else (at_us - background.since_us) / 3.6e9
    if heard_h < background.learn_s / 3600:
        yield Want(Lacking.LEARNING_TIME, heard_h, background.learn_s / 3600, "h")


def _to_be_steady(settings: CoreSettings, reason: Reason, test: Test) -> Iterator[Want]:
    match reason:
        case Reason.LEVEL_NOT_STEADY:
            yield Want(Lacking.STEADY, test.spread_db, test.spread_limit_db, "dB")
        case Reason.LEVEL_DRIFTING:
            yield Want(Lacking.STILL, test.drift_db, settings.signal.drift_limit_db, "dB")
        case Reason.TOO_FEW_SAMPLES:
            yield Want(Lacking.SAMPLES, test.slots, test.slots_wanted, "slots")


def _to_be_blamed(own: Voice, test: Test) -> Iterator[Want]:
    """What keeps a steady valve from being blamed, whatever is heard."""
    if own.reason is Reason.CAME_AND_WENT_BEFORE:
        yield Want(Lacking.KNOWN)
    if test.drowned:
        yield Want(Lacking.DROWNED)
    elif test.turning:
        yield Want(Lacking.TURNING, need=test.window_s, unit="s")


def _to_pass(
    settings: CoreSettings, own: Voice, voices: tuple[Voice, ...], scores: tuple[Score, ...],
    evidence: Gathered | None,
) -> Iterator[Want]:  # fmt: skip
    """What keeps a testable valve from being called passing."""
    limit = settings.judge.rise_limit_db
    highest = max((v.rise_db for v in voices if v.rise_db is not None), default=None)
    if highest is None or highest < limit:
        yield Want(Lacking.GROUP_RISE, highest, limit, "dB")
    if own.rise_db is None or own.rise_db < RESOLVABLE_DIFFERENCE_DB:
        yield Want(Lacking.RISE, own.rise_db, RESOLVABLE_DIFFERENCE_DB, "dB")
    with_it = [s for s in scores if blames(s, own.subject)]
    without = [s for s in scores if not blames(s, own.subject)]
    if without and without[0].explanation is Explanation.NOTHING:
        return  # nothing is heard that could be explained
    if without and (not with_it or with_it[0].score < without[0].score):
        ahead = with_it[0].behind - without[0].behind if with_it else None
        yield Want(Lacking.BETTER_FIT, ahead, None, "odds", name_of(without[0]))
    if evidence is None or evidence.passing:
        return
    if evidence.odds < evidence.odds_wanted:
        yield Want(Lacking.ODDS, evidence.odds, evidence.odds_wanted, "odds")
        if evidence.margin_db is not None and evidence.margin_db < evidence.margin_wanted_db:
            yield Want(Lacking.MARGIN, evidence.margin_db, evidence.margin_wanted_db, "dB", evidence.over)


def _to_end(settings: CoreSettings, own: Voice, evidence: Gathered | None) -> Iterator[Want]:
    """What would end a passing verdict."""
    lowest = settings.judge.rise_limit_db - settings.alarms.deadband_db
    yield Want(Lacking.ENDS_BY_RISE, own.rise_db, min(lowest, RESOLVABLE_DIFFERENCE_DB) - 0.25, "dB")
    if evidence is not None:
        yield Want(Lacking.ENDS_BY_ODDS, evidence.odds, 0.0, "odds")


def blames(score: Score, subject: str) -> bool:
    """Whether an explanation has this valve passing."""
    passing = score.explanation in (Explanation.ONE_PASSING, Explanation.TWO_PASSING)
    return passing and subject in (score.source, score.second)


def name_of(score: Score) -> str:
    """An explanation in a few words: ``XV-203 passing``, ``outside noise``."""
    match score.explanation:
        case Explanation.ONE_PASSING:
            beside = f" beside {score.beside}" if score.beside else ""
            return f"{score.source} passing{beside}"
        case Explanation.TWO_PASSING:
            return f"{score.source} and {score.second} passing"
        case Explanation.OPEN_VALVE:
            return f"{score.source} open or just stroked"
        case _:
            return score.explanation.text
