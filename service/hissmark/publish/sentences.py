"""Sentences before codes: what a colleague would say about a group, an alarm, a line of the journal.

Pure functions. Ages and times of day inside a sentence stay separate *parts*, so that a page can let them
run and show them in the viewer's zone; `flat` joins them for a terminal.
"""

from __future__ import annotations

from collections.abc import Iterable

from hissmark.alarms.journal import Alarm, AlarmEvent, AlarmKind, AlarmState, JournalEntry
from hissmark.judge.verdicts import Reason, SensorHealth
from hissmark.publish.shapes import ChannelReading, GroupReading, Part
from hissmark.publish.times import age_text, clock_time, parse_rfc3339, rfc3339
from hissmark.publish.words import counted

REASON_SENTENCES: dict[Reason, str] = {
    Reason.AT_BACKGROUND: "It is at its background.",
    Reason.HIGHEST_STEADY_RISE: "It has the highest steady rise of its group.",
    Reason.HIGHEST_LEAK_ONLY_LEVEL: "With the backgrounds taken off, it is the loudest of its group.",
    Reason.BEST_FIT_OF_THE_GROUP: "A source here fits the rises of the whole group best.",
    Reason.HEARD_FROM_THE_SOURCE: "It hears the source along the pipe.",
    Reason.EXPLANATIONS_TOO_CLOSE: "Two explanations are too close to call.",
    Reason.RISE_BELOW_THE_LIMIT: "Its rise is below the limit.",
    Reason.EVEN_RISE_OF_THE_GROUP: "The whole group has risen evenly.",
    Reason.NOISE_FROM_ONE_END: "Noise comes in at one end and falls away along the pipe.",
    Reason.REFERENCE_POINT_RISES_MOST: "A reference point rises most, so the noise comes from outside.",
    Reason.OPEN_VALVE_NEARBY: "An open valve nearby explains what is heard.",
    Reason.NO_EXPLANATION_FITS: "Something is heard that no explanation fits.",
    Reason.LEVEL_NOT_STEADY: "The level is not steady yet.",
    Reason.LEVEL_DRIFTING: "The level is still moving.",
    Reason.TOO_FEW_SAMPLES: "Too few samples so far.",
    Reason.OPEN: "The valve is open.",
    Reason.JUST_STROKED: "The valve has just been stroked.",
    Reason.NO_PRESSURE_DIFFERENCE: "There is no pressure difference across it: a leak would not be heard.",
    Reason.NO_FRESH_DATA: "No fresh data from its sensor.",
    Reason.SENSOR_FAULT: "Its sensor has a fault.",
    Reason.BASELINE_LEARNING: "Its background is still being learned.",
    Reason.POSITION_NOT_HEARD: "Its position is not heard, so it may be open.",
    Reason.PRESSURE_NOT_HEARD: "Its pressures are not heard, so it may not be testable.",
    Reason.CAME_AND_WENT_BEFORE: "The group sounds as it did when this was called a leak twice before, and "
    "that ended by itself: an operating condition, or a leak that comes and goes.",
    Reason.DROWNED_BY_OTHER_SOUND: "It was found to pass; other sound is so loud now that its leak would not "
    "be heard.",
    Reason.WAITING_FOR_EVIDENCE: "It stands out; more evidence is being gathered.",
}

HEALTH_SENTENCES: dict[SensorHealth, str] = {
    SensorHealth.WELL: "The sensor is well.",
    SensorHealth.SILENT: "The sensor is silent.",
    SensorHealth.LOOSE: "The sensor hears less than its group: it may be loose.",
    SensorHealth.STUCK: "The sensor repeats one value.",
    SensorHealth.SATURATED: "The sensor is at the top of its range.",
    SensorHealth.DRIFTING: "The sensor drifts away from its group.",
    SensorHealth.NOISY: "The sensor is noisier than it used to be.",
    SensorHealth.CLOCK_WRONG: "The times the sensor sends are wrong.",
    SensorHealth.SWAPPED: "The sensor seems to be swapped with another.",
}

EVENT_WORDS: dict[AlarmEvent, str] = {
    AlarmEvent.RAISED: "raised",
    AlarmEvent.CLEARED: "back to normal",
    AlarmEvent.ACKNOWLEDGED: "acknowledged",
    AlarmEvent.SHELVED: "shelved",
    AlarmEvent.UNSHELVED: "taken off the shelf",
    AlarmEvent.SHELF_EXPIRED: "off the shelf again, its time is up",
    AlarmEvent.SUPPRESSED: "suppressed by design",
    AlarmEvent.UNSUPPRESSED: "no longer suppressed",
    AlarmEvent.OUT_OF_SERVICE: "taken out of service",
    AlarmEvent.RETURNED_TO_SERVICE: "returned to service",
}


BARELY_DB = 3.0
"""An even rise below this is hardly worth the word noise (ISO 3744 does not resolve it either)."""
FALLEN_DB = 6.0
"""An alarm that stands while its rise has fallen by this much says both."""


def decibels(value: float | None) -> str:
    """``14 dB`` (``0.4 dB`` below 3 dB, where a tenth matters); ``unknown`` without a value."""
    if value is None:
        return "unknown"
    return f"{value:.1f} dB" if abs(value) < 3 else f"{value:.0f} dB"


def listing(names: Iterable[str], most: int = 4) -> str:
    """``A``, ``A and B``, ``A, B and C``, ``A, B, C and 4 others``."""
    rows = list(names)
    if len(rows) > most:
        rest = len(rows) - (most - 1)
        return f"{', '.join(rows[: most - 1])} and {rest} others"
    if len(rows) < 2:
        return "".join(rows)
    return f"{', '.join(rows[:-1])} and {rows[-1]}"


def subject_of(channel: ChannelReading) -> str:
    return channel["valve"] or channel["channel"]


def reason_sentence(reason: str) -> str:
    """The sentence behind a reason's text; the text itself if it is not a reason of the judgement."""
    code = reason.replace(" ", "_").replace("-", "_").upper()
    if code in Reason.__members__:
        return REASON_SENTENCES[Reason[code]]
    if code in SensorHealth.__members__:
        return HEALTH_SENTENCES[SensorHealth[code]]
    return reason


def flat(parts: Iterable[Part], now_us: int) -> str:
    """Join a sentence's parts to plain text, ages as of `now_us`, times of day in UTC."""
    texts = []
    for part in parts:
        if isinstance(part, str):
            texts.append(part)
        elif "since" in part:
            texts.append(age_text((now_us - parse_rfc3339(part["since"])) / 1e6))
        else:
            texts.append(clock_time(parse_rfc3339(part["at"])))
    return "".join(texts)


def explanation_sentence(reading: GroupReading) -> str:
    """What the group says as a whole, in one or a few sentences."""
    kind = reading["explanation"]["kind"]
    said = _EXPLAINED.get(kind, _say_unexplained)(reading)
    return " ".join(text for text in (said, _untestable(reading)) if text)


def alarm_parts(alarm: Alarm, reading: GroupReading | None) -> list[Part]:
    """The alarm as a colleague's message. `reading` is the latest of its group, None if there is none."""
    if not alarm.active and not alarm.raised_us:
        parts: list[Part] = [f"{alarm.valve} has no {alarm.alarm.value.replace('-', ' ')} alarm."]
    elif alarm.alarm is AlarmKind.SENSOR_FAULT:
        parts = _fault_parts(alarm, reading)
    elif not alarm.active:
        parts = [f"{alarm.valve} is back to normal. It was {_was(alarm)}{_peak(alarm)}."]
    elif alarm.alarm is AlarmKind.CONTESTED:
        parts = _contested_parts(alarm, reading)
    else:
        parts = _passing_parts(alarm, reading)
    if alarm.raised_us:
        parts += [" First heard ", {"at": rfc3339(alarm.raised_us)}, "."]
    return parts + _aside(alarm)


def advice(alarm: Alarm) -> str:
    """What to do about an alarm, in one sentence."""
    if alarm.alarm is AlarmKind.SENSOR_FAULT:
        return (
            "Look at the sensor, its cable or battery and its contact; until then this valve is not judged."
        )
    if alarm.alarm is AlarmKind.CONTESTED:
        return "Wait for more evidence, or have both valves checked by hand; do not repair on this alone."
    if not alarm.active:
        return "Acknowledge it once its cause is known."
    return "Check that it is fully closed, then plan its repair. Leave the valves that hear its spill alone."


def journal_sentence(entry: JournalEntry) -> str:
    """One line of the journal in words."""
    what = f"{entry.valve}: {entry.alarm.replace('-', ' ')} {EVENT_WORDS[entry.event]}"
    if (
        entry.event is AlarmEvent.RAISED
        and entry.rise_db is not None
        and entry.alarm is not AlarmKind.SENSOR_FAULT
    ):
        what += f", {decibels(entry.rise_db)} over its background"
    if entry.operator:
        what += f" by {entry.operator}"
    return f"{what}: {entry.comment}" if entry.comment else f"{what}."


# Parts of the above.


def _aside(alarm: Alarm) -> list[Part]:
    """Until when, by whom and why an alarm is put aside; nothing if it is not."""
    by = f" by {alarm.operator}" if alarm.operator else ""
    why = f": {alarm.comment.rstrip('.')}" if alarm.comment else ""
    if alarm.state is AlarmState.SHELVED and alarm.shelved_until_us:
        until = " until its condition is gone, at the latest until " if alarm.shelved_once else " until "
        return [f" On the shelf{until}", {"at": rfc3339(alarm.shelved_until_us)}, f"{by}{why}."]
    if alarm.state is AlarmState.OUT_OF_SERVICE:
        return [f" Taken out of service{by}{why}."]
    if alarm.state is AlarmState.SUPPRESSED_BY_DESIGN:
        return [f" {alarm.reason[:1].upper()}{alarm.reason[1:]}."]
    return []


def _say_nothing(reading: GroupReading) -> str:
    judged = [c for c in reading["channels"] if c["kind"] == "valve" and c["verdict"] != "not testable"]
    if not judged:
        return "No valve of this group can be tested now."
    if all(c["verdict"] == "quiet" for c in judged):
        return f"Quiet: {counted(len(judged), 'valve')} at background."
    return "Nothing stands out."


def _say_passing(reading: GroupReading) -> str:
    source = _channel(reading, reading["explanation"]["source"])
    if source is None:
        return _say_unexplained(reading)
    name, rise = subject_of(source), decibels(source["rise_db"])
    if source["verdict"] == "passing":
        said = f"{name} is passing: {rise} over its background."
    elif source["verdict"] == "contested":
        said = f"{name} may be passing ({rise} over its background), but it is too close to call."
    else:
        said = f"{name} stands out, {rise} over its background; not settled yet."
    return " ".join(t for t in (said, _spill(reading), _next(reading)) if t)


def _say_two(reading: GroupReading) -> str:
    sources = [_channel(reading, reading["explanation"][key]) for key in ("source", "second")]
    named = [c for c in sources if c is not None]
    if len(named) < 2:
        return _say_passing(reading)
    rises = " and ".join(decibels(c["rise_db"]) for c in named)
    said = f"{listing(subject_of(c) for c in named)} are both passing: {rises} over background."
    return " ".join(t for t in (said, _spill(reading), _next(reading)) if t)


def _say_even(reading: GroupReading) -> str:
    rises = sorted(c["rise_db"] for c in reading["channels"] if c["rise_db"] is not None)
    middle = rises[len(rises) // 2] if rises else None
    by = f" by about {decibels(abs(middle))}" if middle is not None else ""
    if middle is not None and middle < 0:
        return f"The whole group has become evenly quieter{by}; no valve stands out."
    if middle is not None and middle < BARELY_DB:
        return f"The whole group is a little louder{by}; no valve stands out."
    return f"The whole group has risen evenly{by}: outside noise, no valve stands out."


def _say_outside(reading: GroupReading) -> str:
    return "Outside noise comes in and falls away along the pipe; no valve stands out."


def _say_open(reading: GroupReading) -> str:
    source = reading["explanation"]["source"]
    named = [source] if source else [subject_of(c) for c in reading["channels"] if c["open"]]
    if not named:
        return "An open valve is what the group hears."
    verb = "is open and is" if len(named) == 1 else "are open and are"
    return f"{listing(named)} {verb} what the group hears."


def _say_unexplained(reading: GroupReading) -> str:
    return "Something is heard that no explanation fits; nobody is blamed."


def _say_not_kept(_: GroupReading) -> str:
    return "What explained it is not on record; levels and verdicts are."


_EXPLAINED = {
    "not on record": _say_not_kept,
    "nothing": _say_nothing,
    "one passing": _say_passing,
    "two passing": _say_two,
    "even shift": _say_even,
    "outside noise": _say_outside,
    "open valve": _say_open,
    "unexplained": _say_unexplained,
}


def _channel(reading: GroupReading, subject: str | None) -> ChannelReading | None:
    return next((c for c in reading["channels"] if subject and subject_of(c) == subject), None)


def _spill(reading: GroupReading) -> str:
    names = [subject_of(c) for c in reading["channels"] if c["verdict"] == "spill"]
    if not names:
        return ""
    return f"{listing(names)} {'hears' if len(names) == 1 else 'hear'} its spill."


def _next(reading: GroupReading) -> str:
    margin = reading["explanation"]["margin_db"]
    if margin is None:
        return ""
    follower = reading["next_explanation"]
    if follower["source"]:
        name = f" ({follower['source']})"
    else:
        name = f" ({follower['kind']})" if follower["kind"] != "nothing" else ""
    return f"Next explanation{name} {decibels(margin)} behind."


def _untestable(reading: GroupReading) -> str:
    rows = [c for c in reading["channels"] if c["kind"] == "valve" and c["verdict"] == "not testable"]
    if not rows or len(rows) == sum(c["kind"] == "valve" for c in reading["channels"]):
        return ""
    named = [f"{subject_of(c)} ({c['reason']})" for c in rows]
    return f"Not testable: {listing(named)}."


def _was(alarm: Alarm) -> str:
    return "contested" if alarm.alarm is AlarmKind.CONTESTED else "passing"


def _peak(alarm: Alarm) -> str:
    return f", {decibels(alarm.rise_db)} over its background" if alarm.rise_db is not None else ""


def _duration(alarm: Alarm) -> list[Part]:
    return [" for ", {"since": rfc3339(alarm.raised_us)}]


def _passing_parts(alarm: Alarm, reading: GroupReading | None) -> list[Part]:
    channel = _channel(reading, alarm.valve) if reading else None
    now_db = channel["rise_db"] if channel and channel["rise_db"] is not None else alarm.rise_db
    fell = now_db is not None and alarm.rise_db is not None and now_db < alarm.rise_db - FALLEN_DB
    rise = decibels(alarm.rise_db if fell else now_db)
    parts: list[Part] = [
        f"{alarm.valve} is passing: {rise} over its background",
        *_duration(alarm),
        f". It has fallen to {decibels(now_db)} meanwhile." if fell else ".",
    ]
    if reading and alarm.valve in (reading["explanation"]["source"], reading["explanation"]["second"]):
        parts += [f" {text}" for text in (_spill(reading), _next(reading)) if text]
    if channel and channel["difference_bar"] is not None:
        parts.append(f" Pressure difference {channel['difference_bar']:.0f} bar.")
    if channel and channel["basis"] == "sound alone":
        parts.append(" Judged on sound alone.")
    return parts


def _contested_parts(alarm: Alarm, reading: GroupReading | None) -> list[Part]:
    rise = decibels(alarm.rise_db)
    parts: list[Part] = [f"{alarm.valve} may be passing: {rise} over its background", *_duration(alarm)]
    parts.append(", but another explanation is too close to call.")
    follower = reading["next_explanation"]["source"] if reading else None
    if follower and follower != alarm.valve:
        parts.append(f" It could be {follower}.")
    return parts


def _fault_parts(alarm: Alarm, reading: GroupReading | None) -> list[Part]:
    """What ails the sensor, as it is now; an acknowledgement's comment stands in `reason` meanwhile."""
    if not alarm.active:
        return [f"The sensor of {alarm.valve} works again."]
    channel = _channel(reading, alarm.valve) if reading else None
    ails = channel["health"] if channel and channel["health"] != SensorHealth.WELL.text else alarm.reason
    said = reason_sentence(ails).rstrip(".")
    return [f"{alarm.valve}: {said[:1].lower()}{said[1:]}", *_duration(alarm), ". This valve is not judged."]
