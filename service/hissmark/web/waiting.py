"""The reading of a group before its first tick: everything unknown, and said so."""

from __future__ import annotations

from hissmark.engine.register import Channel
from hissmark.publish.live import LiveState
from hissmark.publish.reading import basis_of, distances_m
from hissmark.publish.shapes import ChannelReading, LiveReading
from hissmark.publish.times import rfc3339, rfc3339_or_none

NOT_YET = "Nothing has been judged here yet: no full window of data."


def waiting_reading(live: LiveState, group: str, sentence: str = NOT_YET) -> LiveReading:
    """What can be said about `group` before anything was judged. `at` is empty: there was no tick."""
    now_us = live.clock.now_us()
    newest_us, fresh = live.freshness(group, now_us)
    rows = live.layout.register.groups[group]
    return {
        "group": group,
        "at": "",
        "explanation": {
            "kind": "nothing", "source": None, "second": None, "margin_db": None, "odds": None,
            "sentence": sentence,
        },
        "next_explanation": {"kind": "nothing", "source": None},
        "channels": [_channel(c, d) for c, d in zip(rows, distances_m(rows), strict=True)],
        "fresh": fresh,
        "last_heard": rfc3339_or_none(newest_us),
        "now": rfc3339(now_us),
    }  # fmt: skip


def _channel(channel: Channel, distance_m: float | None) -> ChannelReading:
    return {
        "channel": channel.name, "kind": channel.kind, "valve": channel.valve, "position": channel.position,
        "distance_m": distance_m, "level_db": None, "l50_db": None, "l10_db": None, "baseline_db": None,
        "scale_db": None, "rise_db": None, "leak_db": None, "expected_db": None,
        "verdict": "not testable", "reason": "no fresh data",
        "reason_sentence": "Nothing has been judged here yet.",
        "baseline_state": "learning", "health": "well", "open": None, "difference_bar": None,
        "steady": False, "last_heard": None, "interval_s": channel.interval_s, "basis": basis_of(channel),
        "trend": None,
    }  # fmt: skip
