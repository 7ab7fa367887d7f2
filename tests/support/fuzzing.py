"""Feeds mutants to decoder and packet reader and sees that nothing is raised and each is accounted for."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import islice

from hissmark.decode.columns import Decoded, RejectReason
from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.ingest.packets import MalformedError, PacketReader
from support.mutants import HOST, LEVELS, NAMES, NOW_US, SOURCES, Mutants

FIRST_US, LAST_US = 946_684_800_000_000, 4_102_444_800_000_000
STREAM_SHARE = 10
"""Of so many inputs one is a stream of packets."""
MOST_SHOWN = 20


@dataclass
class Outcome:
    """What came of all inputs.

    Attributes:
        messages: payloads decoded. streams: byte streams read as MQTT packets; `packets` came out of them,
            `broken` of them were refused as no MQTT.
        samples, unknown: records of known and of unknown names. rejects: records by reason.
        silent: Sparkplug messages that hold no measurement (states, commands, deaths, empty births).
        wrong: inputs at which something was raised or not accounted for; the first few in words.
    """

    messages: int = 0
    streams: int = 0
    packets: int = 0
    broken: int = 0
    samples: int = 0
    unknown: int = 0
    silent: int = 0
    rejects: Counter[str] = field(default_factory=Counter)
    wrong: int = 0
    shown: list[str] = field(default_factory=list)

    def fault(self, what: str, payload: object) -> None:
        self.wrong += 1
        if len(self.shown) < MOST_SHOWN:
            self.shown.append(f"{what}: {payload!r:.300}")


def fuzz(inputs: int, seed: int, progress: Callable[[int], None] = lambda done: None) -> Outcome:
    """So many mutants of this seed; `progress` hears how many more are done."""
    mutants, rng, outcome = Mutants(seed), random.Random(seed + 1), Outcome()
    alone, together = _decoder(), _decoder()
    left = inputs
    while left:
        count = min(left, rng.choice((1, 2, 10, 100, 300)))
        streams = count // STREAM_SHARE
        messages = list(islice(mutants, count - streams))
        found = [_one(alone, message, outcome) for message in messages]
        _all(together, messages, found, outcome)
        for _ in range(streams):
            _stream(mutants.stream(), rng, outcome)
        left -= count
        progress(count)
    return outcome


def _decoder() -> Decoder:
    return Decoder(SOURCES, NAMES, levels=LEVELS, host_id=HOST)


def _one(decoder: Decoder, message: Message, outcome: Outcome) -> Decoded | None:
    """One message by itself: it does not raise, what it gives is plausible, and it is accounted for."""
    outcome.messages += 1
    try:
        found = decoder.decode([message], NOW_US)
    except Exception as error:
        outcome.fault(f"raised {error!r}", message)
        return None
    records = _records(found)
    turned = {r.reason.value: r.count for r in found.rejects}
    outcome.samples += len(found.batch)
    outcome.unknown += sum(u.count for u in found.unknown.values())
    outcome.rejects.update(turned)
    if RejectReason.UNREADABLE.value in turned:
        outcome.fault(f"unreadable, {found.rejects[0].detail}", message)
    if not records and not message.topic.startswith("spBv1.0/"):
        outcome.fault("vanished", message)
    outcome.silent += not records
    if not _plausible(found):
        outcome.fault("implausible", message)
    return found


def _records(found: Decoded) -> int:
    """Records that went anywhere; unknown names are among the rejects."""
    return len(found.batch) + sum(reject.count for reject in found.rejects)


def _plausible(found: Decoded) -> bool:
    batch = found.batch
    fine = ((batch.time_us >= FIRST_US) & (batch.time_us < LAST_US) & (abs(batch.value) <= 1e9)).all()
    texts = [text for r in found.rejects for text in (r.topic, r.detail)] + [*found.unknown]
    return bool(fine) and all(text.isprintable() for text in texts)


def _all(
    decoder: Decoder, messages: Sequence[Message], alone: Sequence[Decoded | None], outcome: Outcome
) -> None:
    """The same messages at once: the same samples come out, bad neighbours or not."""
    try:
        found = decoder.decode(messages, NOW_US)
    except Exception as error:
        outcome.fault(f"raised {error!r} among others", messages)
        return
    if _records(found) != sum(_records(one) for one in alone if one is not None):
        outcome.fault("otherwise among others than alone", [m.payload for m in messages])


def _stream(data: bytes, rng: random.Random, outcome: Outcome) -> None:
    """A stream in pieces of any size: it gives packets, or is refused, which ends the connection."""
    reader = PacketReader(version5=rng.random() < 0.5, generation=1, keep_bytes=1 << 20)
    outcome.streams += 1
    at = 0
    try:
        while at < len(data):
            size = rng.choice((1, 7, 100, 5000))
            messages, control = reader.feed(data[at : at + size], NOW_US)
            outcome.packets += len(messages) + len(control)
            at += size
    except MalformedError:
        outcome.broken += 1
    except Exception as error:
        outcome.fault(f"raised {error!r}", data)
