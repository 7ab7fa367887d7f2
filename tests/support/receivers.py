"""Receivers of notifications that really listen: HTTP servers and a mail server on private ports."""

from __future__ import annotations

import json
import ssl
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Any

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult, Envelope, LoginPassword, Session

from support.broker import free_port


@dataclass(frozen=True)
class Request:
    """One request as it came."""

    path: str
    headers: dict[str, str]
    body: bytes

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class HttpReceiver:
    """An HTTP server that keeps every POST and answers what `answer` says (a status; a wait if it blocks)."""

    def __init__(self, answer: Callable[[Request], int] | None = None) -> None:
        self.requests: list[Request] = []
        self.answer = answer or (lambda _: 200)
        owner = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                owner._post(self)

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.05,), daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self._server.server_address[1]}"

    @property
    def taken(self) -> list[Request]:
        return list(self.requests)

    def _post(self, handler: BaseHTTPRequestHandler) -> None:
        body = handler.rfile.read(int(handler.headers.get("content-length", 0)))
        request = Request(handler.path, {k.lower(): v for k, v in handler.headers.items()}, body)
        status = self.answer(request)
        if status < 300:
            self.requests.append(request)
        handler.send_response(status)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    def close(self) -> None:
        self._server.shutdown()
        self._server.server_close()

    def __enter__(self) -> HttpReceiver:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class AlertsServer(HttpReceiver):
    """Speaks `POST /api/v2/alerts` as the API's OpenAPI description has it (postableAlerts; from memory).

    Alerts are kept by their labels; one stands until its `endsAt`. What is forbidden is answered 400.
    """

    def __init__(self) -> None:
        self.alerts: dict[tuple[tuple[str, str], ...], dict[str, Any]] = {}
        super().__init__(self._take)

    def _take(self, request: Request) -> int:
        if request.path != "/api/v2/alerts":
            return 404
        try:
            rows = [self._checked(row) for row in request.json]
        except (ValueError, KeyError, TypeError, AttributeError):
            return 400
        for row in rows:
            key = tuple(sorted(row["labels"].items()))
            before = self.alerts.get(key)
            if before is not None and "startsAt" in before:
                row["startsAt"] = min(before["startsAt"], row.get("startsAt", before["startsAt"]))
            self.alerts[key] = row
        return 200

    def _checked(self, row: dict[str, Any]) -> dict[str, Any]:
        if set(row) - {"labels", "annotations", "startsAt", "endsAt", "generatorURL"}:
            raise ValueError("a field that is not in the description")
        if not row["labels"] or not row["labels"].get("alertname"):
            raise ValueError("labels are required")
        for field_ in ("labels", "annotations"):
            for name, value in row.get(field_, {}).items():
                if not name.replace("_", "").isalnum() or not isinstance(value, str):
                    raise ValueError("not a label set")
        times = [datetime.fromisoformat(row[name]) for name in ("startsAt", "endsAt") if name in row]
        if any(t.tzinfo is None for t in times) or times != sorted(times):
            raise ValueError("start after end, or no date-time")
        return row

    def standing(self) -> list[dict[str, str]]:
        """Labels of the alerts that stand now."""
        now = datetime.now(UTC)
        rows = list(self.alerts.values())
        return [r["labels"] for r in rows if datetime.fromisoformat(r["endsAt"]) > now]


@dataclass
class MailServer:
    """A real SMTP server on a private port; `answer` may refuse mail.

    `users` makes it ask for a sign-in, `tls` (certificate, key) makes it offer STARTTLS.
    """

    users: dict[str, str] = field(default_factory=dict)
    tls: tuple[Path, Path] | None = None
    answer: str = "250 OK"
    mails: list[EmailMessage] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.port = free_port()
        options: dict[str, Any] = {}
        if self.users:
            options = {"authenticator": self._who, "auth_required": True}
        if self.tls:
            options["tls_context"] = context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
            context.load_cert_chain(*self.tls)
        self._controller = Controller(self, hostname="127.0.0.1", port=self.port, **options)
        self._controller.start()

    def _who(
        self, server: object, session: Session, envelope: Envelope, mechanism: str, data: object
    ) -> AuthResult:
        ok = isinstance(data, LoginPassword) and self.users.get(data.login.decode()) == data.password.decode()
        return AuthResult(success=ok)

    async def handle_DATA(self, server: object, session: Session, envelope: Envelope) -> str:  # noqa: N802
        if self.answer.startswith("250"):
            content = envelope.content or b""
            raw = content if isinstance(content, bytes) else content.encode()
            made = message_from_bytes(raw, policy=policy.default)
            assert isinstance(made, EmailMessage)
            self.mails.append(made)
        return self.answer

    def close(self) -> None:
        self._controller.stop(no_assert=True)
