"""What a receiver is told, in the form that all ways of telling share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any
from urllib.parse import quote

from hissmark.alarms.journal import AlarmKind, AlarmState
from hissmark.notify.route import UNACKNOWLEDGED
from hissmark.publish.alarm_shapes import journal_shape
from hissmark.publish.sentences import journal_sentence
from hissmark.publish.times import age_text
from hissmark.store.records import JournalRow

SAFETY = (
    "An aid for finding leaks, not proof of isolation. Isolation for work follows the site's lockout/tagout "
    "and permit procedures."
)


@dataclass(frozen=True, slots=True)
class Message:
    """One journal entry on its way to a receiver.

    Attributes:
        key: the same for every attempt, so that a receiver can tell a repetition from news.
        kind: `event`, or `unacknowledged` when nobody has acknowledged in time.
        sentence: what is known now, as the page says it. advice: what to do about it, may be empty.
        link: address of the page, None if the site states none.
        unacknowledged_s: how long nobody has acknowledged, for escalations.
    """

    key: str
    kind: str
    site: str
    row: JournalRow
    sentence: str
    advice: str
    link: str | None
    unacknowledged_s: int = 0

    @property
    def headline(self) -> str:
        """``XV-203: passing raised, high priority``."""
        said = journal_sentence(self.row.entry).partition(",")[0].rstrip(".")
        if self.kind == UNACKNOWLEDGED:
            what = self.row.entry.alarm.replace("-", " ")
            said = f"{self.row.entry.valve}: {what}, not acknowledged for {age_text(self.unacknowledged_s)}"
        return f"{said} ({self.row.entry.priority} priority)"

    def as_json(self) -> dict[str, Any]:
        """What webhooks and MQTT carry."""
        return {
            "id": self.key,
            "kind": self.kind,
            "site": self.site,
            "headline": self.headline,
            "sentence": self.sentence,
            "advice": self.advice,
            "link": self.link,
            "unacknowledged_s": self.unacknowledged_s or None,
            "entry": journal_shape(self.row),
            "note": SAFETY,
        }

    def as_text(self) -> str:
        """Paragraphs for people."""
        lines = [self.headline, "", self.sentence]
        if self.advice:
            lines += ["", self.advice]
        if self.row.entry.comment:
            lines += ["", f"{self.row.entry.operator}: {self.row.entry.comment}"]
        if self.link:
            lines += ["", self.link]
        return "\n".join(lines)

    @property
    def stands(self) -> bool:
        """Whether the alarm calls for attention after this entry: neither back to normal nor put aside."""
        return self.row.entry.state in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)


def link_of(page: str | None, valve: str, alarm: AlarmKind) -> str | None:
    """The page of a valve."""
    if page is None:
        return None
    if alarm is AlarmKind.SENSOR_FAULT:
        return f"{page.rstrip('/')}/sensors"
    return f"{page.rstrip('/')}/valve/{quote(valve, safe='')}"
