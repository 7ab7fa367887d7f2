"""Alerts through the Alertmanager API, version 2 (``POST /api/v2/alerts`` of its OpenAPI description).

An alert is told once an alarm calls for attention and ended once it no longer does. What stands is told
again every `resend_s`, because such a server may lose its memory; it holds for `hold_s`, because silence
of this service is no repair.
"""

from __future__ import annotations

import base64
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from hissmark.alarms.journal import Alarm, AlarmState, JournalEntry
from hissmark.notify.channel import secret_of
from hissmark.notify.http import Target, post
from hissmark.notify.message import Message
from hissmark.notify.route import UNACKNOWLEDGED, Route
from hissmark.publish.times import rfc3339

US = 1_000_000


@dataclass
class Alertmanager:
    """A server that takes alerts. `standing` gives the alarms that are not at rest, with their sentences."""

    target: Target
    site: str
    route: Route
    username: str | None
    password_file: Path | None
    resend_s: float
    hold_s: int
    wall_us: Callable[[], int]
    standing: Callable[[], Sequence[tuple[Alarm, str, str | None]]]
    at_once: int = 100
    _due_s: float = field(default_factory=time.monotonic)

    def send(self, messages: Sequence[Message]) -> None:
        self._post([self._of_message(message) for message in messages])

    def idle(self) -> None:
        """Tell again what stands. Escalations are not repeated: they hold until they are ended."""
        if self.route.unacknowledged_us or time.monotonic() < self._due_s:
            return
        self._due_s = time.monotonic() + self.resend_s
        alerts = [
            self._alert(self._labels(a), sentence, link, a.raised_us)
            for a, sentence, link in self.standing()
            if a.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)
            and self.route.concerns(a.priority, a.group, a.alarm)
        ]
        for i in range(0, len(alerts), self.at_once):
            self._post(alerts[i : i + self.at_once])

    def close(self) -> None:
        """Nothing is held."""

    def _of_message(self, message: Message) -> dict[str, Any]:
        entry = message.row.entry
        # An escalation ends with whatever follows it: somebody has taken note, or it is gone.
        stands = message.kind == UNACKNOWLEDGED or (message.stands and not self.route.unacknowledged_us)
        starts_us = entry.at_us if stands else None
        alert = self._alert(self._labels(entry), message.sentence, message.link, starts_us)
        if message.kind == UNACKNOWLEDGED:
            alert["annotations"]["unacknowledged"] = message.headline
        return alert

    def _labels(self, about: Alarm | JournalEntry) -> dict[str, str]:
        """What the server knows an alert by; the same from its beginning to its end."""
        return {
            "alertname": f"hissmark_{about.alarm.replace('-', '_')}",
            "site": self.site,
            "group": about.group,
            "valve": about.valve,
            "priority": about.priority.value,
        }

    def _alert(
        self, labels: dict[str, str], summary: str, link: str | None, starts_us: int | None
    ) -> dict[str, Any]:
        """One alert; `starts_us` None ends it. Times are the machine's, the server compares with its own."""
        now_us = self.wall_us()
        alert: dict[str, Any] = {
            "labels": labels,
            "annotations": {"summary": summary},
            "endsAt": rfc3339(now_us),
        }
        if starts_us is not None:
            alert["startsAt"] = rfc3339(min(starts_us, now_us))
            alert["endsAt"] = rfc3339(now_us + self.hold_s * US)
        if link:
            alert["generatorURL"] = link
        return alert

    def _post(self, alerts: list[dict[str, Any]]) -> None:
        if not alerts:
            return
        headers = {}
        if self.username and self.password_file:
            secret = secret_of(self.password_file)
            headers["Authorization"] = (
                "Basic " + base64.b64encode(self.username.encode() + b":" + secret).decode()
            )
        post(self.target, msgspec.json.encode(alerts), headers)
