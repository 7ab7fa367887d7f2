"""Plain ASGI guards around the application: body size, foreign pages, headers, request times."""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from typing import Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from hissmark.publish.metrics import Metrics
from hissmark.web.problems import problem

MAX_BODY_BYTES = 64 * 1024
TABLE_BYTES = 8 * 1024 * 1024
BODY_S = 30.0
"""How long a body may take. Eight megabytes over a radio link of 3 Mbit/s take 21 s."""
TABLES = ("/api/v1/register/look", "/api/v1/register/put-in-force")
"""Where whole registers arrive: ten thousand channels with long notes."""

_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'self'; img-src 'self' data:; object-src 'none'; frame-ancestors 'none'; "
        "base-uri 'none'; form-action 'self'"
    ),
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Guards:
    """Refuses bodies that are too large and writes from foreign pages; adds headers; times requests."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app = app
        self._metrics = metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started_s = time.perf_counter()
        status = 500

        async def send_on(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            await self._guarded(scope, receive, send_on)
        finally:
            self._time(scope, status, time.perf_counter() - started_s)

    async def _guarded(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = Headers(scope=scope)
        if scope["method"] in ("GET", "HEAD", "OPTIONS"):
            await self._app(scope, receive, send)
        elif headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            refusal = problem(403, "Only the pages of this service may act in your name.")
            await refusal(scope, receive, send)
        else:
            await self._with_body(scope, receive, send, headers)

    async def _with_body(self, scope: Scope, receive: Receive, send: Send, headers: Headers) -> None:
        most = TABLE_BYTES if scope["path"] in TABLES else MAX_BODY_BYTES
        try:
            async with asyncio.timeout(BODY_S):
                body = None if _announced(headers) > most else await _read(receive, most)
        except TimeoutError:
            refusal = problem(408, f"The body was not there within {BODY_S:g} s.")
            await refusal(scope, receive, send)
            return
        if body is None:
            refusal = problem(413, f"The body may have at most {most} bytes.")
            await refusal(scope, receive, send)
        else:
            await self._app(scope, _replay(body, receive), send)

    def _time(self, scope: Scope, status: int, took_s: float) -> None:
        route = getattr(scope.get("endpoint"), "__name__", "other")  # bounded, unlike the path
        if route != "events":  # an event stream lasts as long as its page
            self._metrics.http_s.labels(route, str(status)).observe(took_s)


def _announced(headers: Headers) -> int:
    length = headers.get("content-length", "0")
    return int(length) if length.isascii() and length.isdigit() and len(length) < 16 else 0


async def _read(receive: Receive, most: int) -> bytes | None:
    """The whole body; None as soon as it is too large."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] == "http.disconnect":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > most:
            return None
        if not message.get("more_body", False):
            return bytes(body)


def _replay(body: bytes, receive: Receive) -> Callable[[], Awaitable[Any]]:
    """A `receive` that gives the body once and then what the client does next."""
    given = False

    async def again() -> Message:
        nonlocal given
        if given:
            return await receive()
        given = True
        return {"type": "http.request", "body": body, "more_body": False}

    return again
