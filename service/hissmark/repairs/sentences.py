"""What findings, repairs and their checks say in words."""

from __future__ import annotations

from hissmark.engine.repair_check import US, Hindrance, Outcome, Progress
from hissmark.publish.times import age_text
from hissmark.store.repair_records import FOUND_WORDS, WORK_WORDS, Finding, Repair
from hissmark.store.repairs import OutcomeRow

CAUTION = (
    "This is an aid for finding leaks, not proof of isolation. Isolation for work follows the site's "
    "lockout/tagout and permit procedures; local codes and licensed practice decide."
)

_WAITING = {
    Hindrance.NO_TICK: "waiting for the first tick after the work",
    Hindrance.SETTLING: "waiting for the sound to settle",
    Hindrance.NO_PRESSURE: "waiting for pressure",
    Hindrance.LESS_PRESSURE: "waiting for the pressure it was heard under",
    Hindrance.PRESSURE_NOT_HEARD: "waiting for its pressures to be heard",
    Hindrance.OPEN: "waiting for the valve to close",
    Hindrance.POSITION_NOT_HEARD: "waiting for its position to be heard",
    Hindrance.NO_DATA: "waiting for data from its sensor",
    Hindrance.SENSOR: "waiting for its sensor to be mended",
    Hindrance.LEARNING: "waiting for its background to be learned",
    Hindrance.RAISED: "waiting: it is over its background, and it is not plain why",
    Hindrance.GROUP: "waiting for its group to fall back",
}


def state_text(progress: Progress, hold_us: int) -> str:
    """How far a check has come: ``holding 12 of 30 min``, ``waiting for pressure``, ``tight again``."""
    if progress.outcome is Outcome.NOT_TESTED:
        return f"not tested ({progress.hindrance})"
    if progress.outcome is not None:
        return str(progress.outcome)
    held = f"{int(progress.held_us // (60 * US))} of {age_text(hold_us / US)}"
    if progress.sign is Outcome.TIGHT_AGAIN:
        return f"holding {held}"
    if progress.sign is Outcome.STILL_PASSING:
        return f"still heard {held}"
    if progress.sign is Outcome.SOURCE_ELSEWHERE:
        return f"{progress.about} heard instead {held}"
    about = f" ({progress.about} is over it)" if progress.about else ""
    return _WAITING[progress.hindrance or Hindrance.NO_TICK] + about


def outcome_sentence(valve: str, row: OutcomeRow) -> str:
    """What a check found, as a colleague says it."""
    match Outcome(row.outcome):
        case Outcome.TIGHT_AGAIN:
            return f"{valve} is tight again: {_stayed(row)}{_pressure(row)}."
        case Outcome.STILL_PASSING:
            return f"{valve} is still passing after the repair{_pressure(row)}."
        case Outcome.SOURCE_ELSEWHERE:
            return (
                f"The source is elsewhere: {row.about} is passing, and {valve} cannot be called tight "
                "while that is heard."
            )
        case Outcome.NOT_TESTED:
            about = f", heard at {row.about}" if row.about else ""
            return f"The repair of {valve} was not tested ({row.reason}{about})."


def _stayed(row: OutcomeRow) -> str:
    held = age_text(float(row.payload["hold_s"]))
    return f"it and its group stayed within {row.payload['near_db']:g} dB of their backgrounds for {held}"


def _pressure(row: OutcomeRow) -> str:
    after = row.payload.get("after") or {}
    difference = after.get("difference_bar")
    if difference is None:
        return ", judged on sound alone: nobody measured the pressure difference"
    return f", under a pressure difference of {difference:.1f} bar"


def finding_sentence(finding: Finding) -> str:
    """``XV-104: it passes.``"""
    words = FOUND_WORDS[finding.found]
    if finding.source:
        words = f"wrong valve, {finding.source} passes"
    return f"{finding.valve}: {words}."


def repair_sentence(repair: Repair) -> str:
    """``XV-104: seat lapped.``"""
    return f"{repair.valve}: {WORK_WORDS[repair.work]}."
