"""E-mail through an SMTP server. What is due together goes into one message: a flood is one mail."""

from __future__ import annotations

import hashlib
import smtplib
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from email.message import EmailMessage
from email.utils import formatdate
from pathlib import Path

from hissmark.notify.channel import RefusedError, UnreachableError, secret_of
from hissmark.notify.message import SAFETY, Message


@dataclass
class Mail:
    """Mail from one address to some others. `tls`: starttls, tls or none."""

    host: str
    port: int
    tls: str
    username: str | None
    password_file: Path | None
    ca_file: Path | None
    sender: str
    to: tuple[str, ...]
    timeout_s: float
    at_once: int = 50

    def send(self, messages: Sequence[Message]) -> None:
        self.post(compose(messages, self.sender, self.to))

    def post(self, mail: EmailMessage) -> None:
        """Hand one mail to the server. Raises UnreachableError or RefusedError."""
        try:
            with self._server() as server:
                if self.username and self.password_file:
                    server.login(self.username, secret_of(self.password_file).decode("utf-8", "replace"))
                refused = server.send_message(mail)
        except smtplib.SMTPRecipientsRefused as error:
            raise _of_codes(self.host, error.recipients) from None
        except smtplib.SMTPResponseException as error:
            raise _of_code(self.host, error.smtp_code, error.smtp_error) from None
        except (OSError, smtplib.SMTPException) as error:
            reason = (getattr(error, "strerror", None) or str(error)).lower()
            raise UnreachableError(f"{self.host}:{self.port}: {reason}") from None
        if refused:  # some got it: sending again would tell those twice
            raise RefusedError(f"{self.host} refused {', '.join(refused)}; the others were told")

    def _server(self) -> smtplib.SMTP:
        context = ssl.create_default_context(cafile=self.ca_file) if self.tls != "none" else None
        if self.tls == "tls":
            return smtplib.SMTP_SSL(self.host, self.port, timeout=self.timeout_s, context=context)
        server = smtplib.SMTP(self.host, self.port, timeout=self.timeout_s)
        if context is not None:
            try:
                server.starttls(context=context)
            except (OSError, smtplib.SMTPException):
                server.close()
                raise
        return server

    def idle(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing is held."""


def compose(messages: Sequence[Message], sender: str, to: Sequence[str]) -> EmailMessage:
    """One mail about one or more messages. Its Message-ID is the same for every attempt."""
    first = messages[0]
    mail = EmailMessage()
    subject = (
        first.headline if len(messages) == 1 else f"{len(messages)} alarm messages, first {first.headline}"
    )
    mail["Subject"] = _one_line(f"{first.site}: {subject}")
    mail["From"] = sender
    mail["To"] = ", ".join(to)
    mail["Date"] = formatdate(localtime=False)
    digest = hashlib.sha256("\n".join(m.key for m in messages).encode()).hexdigest()[:32]
    mail["Message-ID"] = f"<{digest}@{sender.rpartition('@')[2]}>"
    mail["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps absence notes from answering
    if any(m.row.entry.priority == "high" and m.stands for m in messages):
        mail["Importance"] = "high"
    body = "\n\n----\n\n".join(m.as_text() for m in messages)
    mail.set_content(f"{body}\n\n{SAFETY}\n")
    return mail


def _one_line(text: str) -> str:
    return " ".join(text.split())[:200]


def _of_codes(host: str, refused: dict[str, tuple[int, bytes]]) -> UnreachableError | RefusedError:
    code, text = next(iter(refused.values()))
    return _of_code(host, code, text)


def _of_code(host: str, code: int, text: bytes | str) -> UnreachableError | RefusedError:
    """RFC 5321: 4yz may be tried again, 5yz is final."""
    said = text.decode("utf-8", "replace") if isinstance(text, bytes) else text
    message = f"{host} answered {code}: {said[:200]}"
    # Signing in (535) and encryption are settings that somebody can mend: keep the message till then.
    return RefusedError(message) if 550 <= code <= 559 else UnreachableError(message)
