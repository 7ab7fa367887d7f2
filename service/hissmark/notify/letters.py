"""Brings letters to their receivers: outcomes of repairs, reports. What does not arrive is tried again."""

from __future__ import annotations

import hashlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import formatdate

import msgspec
import structlog

from hissmark.notify.channel import RefusedError, UnreachableError
from hissmark.notify.mail import Mail
from hissmark.notify.message import SAFETY
from hissmark.notify.webhook import Webhook
from hissmark.store.letters import Letter, LetterBox

log = structlog.get_logger("hissmark.notify")

FIRST_RETRY_US = 30 * 1_000_000
LONGEST_RETRY_US = 3600 * 1_000_000
SENT, REFUSED, GIVEN_UP, GONE = "sent", "refused", "given up", "not sent: it is no longer kept"


@dataclass(frozen=True, slots=True)
class Told:
    """What a letter says.

    Attributes:
        link: address of the page, None if the site states none.
        facts: further fields of a webhook's body.
        file: name and contents of a PDF that goes with a mail.
    """

    headline: str
    text: str
    link: str | None
    facts: Mapping[str, object]
    file: tuple[str, bytes] | None = None


class Postman:
    """Delivers what is due. One thread uses it.

    Args:
        channels: by name of the receiver; only mail and webhooks take letters.
        compose: what a letter says; None if that is gone.
    """

    def __init__(
        self, box: LetterBox, channels: Mapping[str, Mail | Webhook], site: str,
        compose: Callable[[Letter], Told | None], now_us: Callable[[], int], give_up_us: int,
    ) -> None:  # fmt: skip
        self._box, self._channels, self._site = box, dict(channels), site
        self._compose, self._now_us, self._give_up_us = compose, now_us, give_up_us

    @property
    def receivers(self) -> tuple[str, ...]:
        return tuple(self._channels)

    def deliver(self) -> int:
        """Deliver what is due; returns how many letters arrived."""
        return sum(self._delivered(letter) for letter in self._box.due(self._now_us()))

    def _delivered(self, letter: Letter) -> bool:
        channel, told = self._channels.get(letter.receiver), self._compose(letter)
        if channel is None or told is None:
            self._box.settle(letter, GONE, self._now_us())
            return False
        try:
            self._send(channel, letter, told)
        except RefusedError as error:
            log.error("a receiver refused a letter", receiver=letter.receiver, reason=str(error))
            self._box.settle(letter, REFUSED, self._now_us())
        except UnreachableError as error:
            self._later(letter, str(error))
        else:
            self._box.settle(letter, SENT, self._now_us())
            return True
        return False

    def _later(self, letter: Letter, reason: str) -> None:
        now_us = self._now_us()
        if now_us - letter.created_us > self._give_up_us:
            log.error("gave up on a letter", receiver=letter.receiver, reason=reason)
            self._box.settle(letter, GIVEN_UP, now_us)
            return
        log.warning("a letter did not arrive; trying again", receiver=letter.receiver, reason=reason)
        wait_us = min(FIRST_RETRY_US << min(letter.attempts, 12), LONGEST_RETRY_US)
        self._box.put_off(letter, reason, now_us + wait_us)

    def _send(self, channel: Mail | Webhook, letter: Letter, told: Told) -> None:
        key = hashlib.sha256(
            f"{self._site}\x1f{letter.kind}\x1f{letter.ref}\x1f{letter.receiver}".encode()
        ).hexdigest()
        if isinstance(channel, Mail):
            channel.post(_mail(self._site, told, channel, key))
            return
        body = {
            "id": key[:32], "kind": str(letter.kind), "site": self._site, "headline": told.headline,
            "sentence": told.text, "link": told.link, **told.facts, "note": SAFETY,
        }  # fmt: skip
        channel.post(msgspec.json.encode(body), key[:32])


def _mail(site: str, told: Told, channel: Mail, key: str) -> EmailMessage:
    mail = EmailMessage()
    mail["Subject"] = " ".join(f"{site}: {told.headline}".split())[:200]
    mail["From"] = channel.sender
    mail["To"] = ", ".join(channel.to)
    mail["Date"] = formatdate(time.time(), localtime=False)
    mail["Message-ID"] = f"<{key[:32]}@{channel.sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps absence notes from answering
    parts = [told.text, told.link or "", SAFETY]
    mail.set_content("\n\n".join(p for p in parts if p) + "\n")
    if told.file is not None:
        name, content = told.file
        mail.add_attachment(content, maintype="application", subtype="pdf", filename=name)
    return mail
