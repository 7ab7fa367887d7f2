"""What the soak's plant sends: single JSON values of fast sensors in turn, packs of a minute of slow ones.

First an hour and more of what was before, so that the channels are learned. Every twentieth group leaks for
20 of 40 minutes, each of them at another time, so that alarms come and go.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from support.publish import Sent

GROUP = 5
FASTEST_HZ = 10.0
"""Samples a second of one wired sensor, at most."""
LEAKY_GROUP = 20
EVERY_MIN, LEAKING, LATER_MIN = 40, range(10, 30), 5
"""A leaky group leaks in these minutes of each `EVERY_MIN`; the next one so much later."""
BEFORE_MIN = 75
AT_SOURCE = (0.0, 3.0, 12.0, 3.0, 0.0)
"""Rise along the group, dB, while it leaks."""
SLEEP_S = 0.02
SOURCES = (
    {"filter": "plant/one/+", "format": "json", "name": "{2}", "value": "/v", "time": "/t", "unit": "dB"},
    {"filter": "plant/packs/+", "format": "senml"},
)


@dataclass(frozen=True)
class Plant:
    """So many fast channels at `rate` messages a second together, and slow ones at a sample a second."""

    rate: float
    fast: int
    slow: int

    @classmethod
    def of(cls, rate: float, slow: int) -> Plant:
        """Whole groups; as many fast channels as it takes for `rate`."""
        return cls(rate, _groups(rate / FASTEST_HZ), _groups(slow))

    def register(self) -> list[dict[str, object]]:
        """Rows of register.csv."""
        return [_row(f"AX-{i}", i, "fast") for i in range(self.fast)] + [
            _row(f"AY-{i}", i, "slow") for i in range(self.slow)
        ]

    def messages(self, start_s: float, count: int) -> Iterator[Sent]:
        """So many messages of single values from a time on, without waiting (a backlog)."""
        levels = _Levels(start_s)
        for k in range(count):
            yield self._single(levels, k, start_s)

    def single(self, k: int, start_s: float) -> Sent:
        """The message of this number of those from a time on."""
        return self._single(_Levels(start_s), k, start_s)

    def before(self, start_s: float) -> Iterator[Sent]:
        """What was heard before: of every channel a sample a second, in packs of a minute."""
        levels = _Levels(start_s)
        for minute in range(-BEFORE_MIN, 0):
            for name, i in self._channels():
                yield _pack(levels, name, i, int(start_s) + 60 * minute)

    def _channels(self) -> Iterator[tuple[str, int]]:
        """Prefix and number of all."""
        yield from (("AX", i) for i in range(self.fast))
        yield from (("AY", i) for i in range(self.slow))

    def live(
        self, start_s: float, ended: Callable[[], bool], told: Callable[[int, float], None]
    ) -> Iterator[Sent]:
        """Every message when it is due; what could not be sent in time is sent later, as gateways do.

        `told` gets the samples sent so far and by how much sending is behind, seconds.
        """
        levels = _Levels(start_s)
        k = j = sent = 0  # singles, packs, samples
        while not ended():
            due = int((time.time() - start_s) * self.rate)
            if k >= due:
                told(sent, 0.0)
                time.sleep(SLEEP_S)
                continue
            for _ in range(min(due - k, 500)):
                yield self._single(levels, k, start_s)
                k += 1
                sent += 1
            at_s = k / self.rate
            while self.slow and 60.0 * (1.0 + j / self.slow) <= at_s:  # one channel after the other
                yield _pack(levels, "AY", j % self.slow, int(start_s) + 60 * (j // self.slow))
                j += 1
                sent += 60
            told(sent, max(0.0, time.time() - start_s - at_s))
        told(sent, 0.0)

    def _single(self, levels: _Levels, k: int, start_s: float) -> Sent:
        i, at_s = k % self.fast, start_s + k / self.rate
        value = levels.at(i, k // self.fast, at_s)
        return f"plant/one/AX-{i}", b'{"v":%.2f,"t":%d}' % (value, int(at_s * 1000))


class _Levels:
    """A background with noise, and a rise while the channel's group leaks."""

    def __init__(self, start_s: float) -> None:
        self._start_s = start_s
        self._noise = np.random.default_rng(7).normal(0.0, 0.4, 8191).tolist()

    def at(self, channel: int, turn: int, at_s: float) -> float:
        group, place = divmod(channel, GROUP)
        rise_db = AT_SOURCE[place] if self._leaks(group, at_s) else 0.0
        return float(30.0 + group % 9 + rise_db + self._noise[(turn * 37 + channel * 101) % 8191])

    def _leaks(self, group: int, at_s: float) -> bool:
        which, rest = divmod(group, LEAKY_GROUP)
        minute = (at_s - self._start_s) // 60 - LATER_MIN * which
        return rest == 0 and minute >= 0 and int(minute) % EVERY_MIN in LEAKING


def _pack(levels: _Levels, name: str, i: int, start_s: int) -> Sent:
    """A minute of one channel: SenML, a sample a second (RFC 8428)."""
    values = [b"%.2f" % levels.at(i, start_s + s, start_s + s) for s in range(60)]
    records = [b'{"bn":"%s-%d","bt":%d,"bu":"dB","v":%s}' % (name.encode(), i, start_s, values[0])]
    records += [b'{"t":%d,"v":%s}' % (s, values[s]) for s in range(1, 60)]
    return f"plant/packs/{name}-{i}", b"[" + b",".join(records) + b"]"


def _groups(channels: float) -> int:
    """Channels in whole groups; at least one group unless there are none."""
    return GROUP * int(np.ceil(channels / GROUP))


def _row(name: str, i: int, what: str) -> dict[str, object]:
    group, place = divmod(i, GROUP)
    return {
        "channel": name, "kind": "valve", "valve": name.replace("A", "V"), "group": f"{what} {group}",
        "position": place,
    }  # fmt: skip
