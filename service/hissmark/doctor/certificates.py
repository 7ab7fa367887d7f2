"""Certificates run out on a day that nobody remembers: ours, and the broker's."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from hissmark.doctor.finding import Finding, fine, look, wrong
from hissmark.ingest.security import tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError
from hissmark.site.files import file_of
from hissmark.site.load import Site

SOON_DAYS = 30
_AREA = "certificates"


def look_at_certificates(site: Site, now_us: int, timeout_s: float = 5.0) -> Iterator[Finding]:
    """When each certificate ends that the site uses."""
    http, mqtt = site.settings.http, site.settings.mqtt
    now = datetime.fromtimestamp(now_us / 1e6, UTC)
    named = [("of the page", http.cert_file), ("of the client", mqtt.cert_file if mqtt else None)]
    for whose, text in named:
        if text is not None:
            yield _judged(whose, _ends(file_of(site.folder, text)), now)
    if mqtt is not None and site.mqtt.uses_tls:
        yield _of_broker(site.mqtt, now, timeout_s)


def _ends(path: Path) -> datetime | str:
    try:
        decoded = ssl._ssl._test_decode_cert(str(path))  # type: ignore[attr-defined]
    except (OSError, ssl.SSLError, ValueError) as error:
        return f"{path} cannot be read as a certificate ({error})"
    return _moment(decoded["notAfter"])


def _moment(text: str) -> datetime:
    return datetime.fromtimestamp(ssl.cert_time_to_seconds(text), UTC)


def _of_broker(settings: MqttSettings, now: datetime, timeout_s: float) -> Finding:
    whose = f"of the broker {settings.host}:{settings.port}"
    try:
        context = tls_context(settings)
        with (
            socket.create_connection((settings.host, settings.port), timeout_s) as plain,
            context.wrap_socket(plain, server_hostname=settings.host) as secured,
        ):
            shown = secured.getpeercert() or {}
    except ssl.SSLCertVerificationError as error:
        do = "Renew it, or name the authority that signed it in ca_file, or the host it was made for."
        return wrong(_AREA, f"The certificate {whose} is not accepted: {error.verify_message}.", do)
    except (OSError, SetupError) as error:
        return look(_AREA, f"The certificate {whose} could not be seen: {error}.", "See `broker`.")
    return _judged(whose, _moment(str(shown["notAfter"])), now)


def _judged(whose: str, ends: datetime | str, now: datetime) -> Finding:
    if isinstance(ends, str):
        return wrong(_AREA, f"The certificate {whose}: {ends}.", "Give a PEM file.")
    days = (ends - now).days
    if ends <= now:
        return wrong(_AREA, f"The certificate {whose} ended on {ends:%Y-%m-%d}.", "Renew it now.")
    said = f"The certificate {whose} ends on {ends:%Y-%m-%d}, in {days} days."
    return look(_AREA, said, "Renew it.") if days < SOON_DAYS else fine(_AREA, said)
