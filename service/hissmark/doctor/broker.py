"""Can the broker be reached, does it accept us and grant what we subscribe to; what it drops, what comes."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator

from hissmark.decode.decoder import Decoder
from hissmark.decode.message import Message
from hissmark.decode.topics import matches
from hissmark.doctor.broker_trial import Trial
from hissmark.doctor.finding import Finding, fine, look, some, wrong
from hissmark.engine.layout import Layout
from hissmark.site.load import Site

_AREA = "broker"


def look_at_broker(site: Site, patience_s: float, listen_s: float = 0.0) -> Iterator[Finding]:
    """Connects under a client id of its own, so that the service's session is not touched; sends nothing.

    `listen_s`: how long to listen to what comes.
    """
    if site.settings.mqtt is None:
        yield wrong(_AREA, "There is no [mqtt] table: nothing is received.", "Add it; see config/site.toml.")
        return
    settings = site.mqtt
    where = f"{settings.host}:{settings.port}"
    with Trial(settings) as trial:
        trouble = trial.run(patience_s)
        if trouble:
            do = "See whether the broker runs and lets this user in."
            yield wrong(_AREA, f"{trouble[0].upper()}{trouble[1:]}.", do)
            return
        if listen_s:
            threading.Event().wait(listen_s)
    yield fine(_AREA, f"{where} accepts us.")
    yield from _granted(trial)
    yield from _dropped(trial)
    if listen_s:
        yield from _heard(site, trial, listen_s)


def _granted(trial: Trial) -> Iterator[Finding]:
    for text in trial.filters:
        answer = trial.refused.get(text, "no answer came")
        if answer:
            do = "Let this user read these topics in the broker's access list."
            yield wrong(_AREA, f"The broker does not grant {text!r}: {answer}.", do)
        elif text in trial.weaker:
            do = "Allow QoS 1 on the broker (Mosquitto: max_qos): what comes while we are away is lost."
            yield wrong(_AREA, f"The broker grants {text!r} with QoS 0 only.", do)
        else:
            yield fine(_AREA, f"{text} is granted.")


def _dropped(trial: Trial) -> Iterator[Finding]:
    """Of brokers that publish it below $SYS, and let this user read it."""
    if trial.dropped:
        said = f"Since its start the broker has dropped {trial.dropped} messages for want of room in queues."
        do = (
            "Raise its limits (Mosquitto: max_queued_messages 0, max_queued_bytes). What it dropped for this "
            "service is lost unless its sender sends it again."
        )
        yield wrong(_AREA, said, do)
    elif trial.dropped is not None:
        yield fine(_AREA, "The broker has dropped nothing since its start.")


def _heard(site: Site, trial: Trial, listen_s: float) -> Iterator[Finding]:
    sources = {s.filter: s for s in site.mqtt.sources}
    for text in trial.filters:
        mine = [m for m in trial.messages if matches(text, m.topic)]
        if not mine:
            do = "See whether the gateways publish, on which topics, and to this broker."
            yield look(_AREA, f"Nothing came on {text} within {listen_s:g} s.", do)
            continue
        topics = sorted({m.topic for m in mine})
        yield fine(_AREA, f"{len(mine)} messages came on {text} within {listen_s:g} s: {some(topics)}.")
        if text in sources and sources[text].format != "sparkplug":  # births came before we listened
            yield from _understood(site, mine, text)


def _understood(site: Site, messages: list[Message], text: str) -> Iterator[Finding]:
    layout = Layout.of(site.register, site.core)
    names = layout.series_index()
    decoded = Decoder(site.mqtt.sources, names).decode(messages, time.time_ns() // 1000)
    if not len(decoded.batch):
        reasons = sorted({str(r.reason) for r in decoded.rejects})
        said = f"None of them can be used: {some(reasons) or 'no name is in the register'}."
        do = f"See whether format, name and value of the source {text} fit what comes, and the register."
        yield wrong(_AREA, said, do)
