"""One HTTP POST of JSON with bounds on time and size."""

from __future__ import annotations

import http.client
import ssl
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlsplit

from hissmark import __version__
from hissmark.notify.channel import RefusedError, UnreachableError

MOST_ANSWER_BYTES = 64 * 1024
_LATER = (408, 425, 429)
"""Answers of the 4xx kind that ask for another try."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where to post to. `ca_file` verifies the server; None: the authorities of the operating system."""

    url: str
    timeout_s: float
    ca_file: Path | None = None


def post(target: Target, body: bytes, headers: Mapping[str, str]) -> None:
    """Post JSON; returns on a 2xx answer. Redirects are not followed: they count as refused."""
    parts = urlsplit(target.url)
    path = parts.path or "/"
    if parts.query:
        path += f"?{parts.query}"
    connection = _connection(target)
    said = {"Content-Type": "application/json", "User-Agent": f"hissmark/{__version__}", **headers}
    try:
        connection.request("POST", path, body, said)
        answer = connection.getresponse()
        text = answer.read(MOST_ANSWER_BYTES)[:300].decode("utf-8", "replace").strip()
        status = answer.status
    except (OSError, http.client.HTTPException) as error:
        raise UnreachableError(f"{_place(target)}: {_reason(error)}") from None
    finally:
        connection.close()
    if 200 <= status < 300:
        return
    said_so = f"{_place(target)} answered {status}{f': {text}' if text else ''}"
    if status >= 500 or status in _LATER:
        raise UnreachableError(said_so)
    raise RefusedError(said_so)


def _connection(target: Target) -> http.client.HTTPConnection:
    parts = urlsplit(target.url)
    host = parts.hostname or ""
    if parts.scheme != "https":
        return http.client.HTTPConnection(host, parts.port or 80, timeout=target.timeout_s)
    try:
        context = ssl.create_default_context(cafile=target.ca_file)
    except OSError as error:
        raise UnreachableError(f"{target.ca_file} cannot be used: {_reason(error)}") from None
    return http.client.HTTPSConnection(host, parts.port or 443, timeout=target.timeout_s, context=context)


def _place(target: Target) -> str:
    parts = urlsplit(target.url)
    return f"{parts.scheme}://{parts.netloc}"


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error) or type(error).__name__).lower()
