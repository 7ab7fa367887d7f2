"""How much is believed of what arrives, and what is plausible."""

from __future__ import annotations

from dataclasses import dataclass

FIRST_US = 946_684_800_000_000
"""2000-01-01T00:00:00Z. Earlier times come from clocks that were never set."""

LAST_US = 4_102_444_800_000_000
"""2100-01-01T00:00:00Z, excluded."""

MAX_VALUE = 1e9
"""Largest absolute value of a level (dB) or process value that is believed."""


@dataclass(frozen=True, slots=True)
class Limits:
    """Bounds on one message and one call.

    Attributes:
        max_payload_bytes: larger payloads are turned away unread.
        max_records: records in one SenML pack.
        max_ahead_s: a time further ahead of the clock than this is stored, flagged AHEAD and not judged.
        max_unknown: unknown names listed per call; more are only counted.
        max_topics: topics whose route is remembered.
        reorder_s: how long a Sparkplug message that is missing is waited for before its node is asked for its
            birth.
    """

    max_payload_bytes: int = 1 << 20
    max_records: int = 20_000
    max_ahead_s: float = 3600.0
    max_unknown: int = 1_000
    max_topics: int = 100_000
    reorder_s: float = 5.0
