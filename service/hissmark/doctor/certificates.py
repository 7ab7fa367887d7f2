"""Certificates run out on a day that nobody remembers: ours, and the broker's."""

from __future__ import annotations

import socket
import ssl
from collections.abc import Iterator
from datetime import UTC, datetime

from hissmark.doctor.finding import Finding, fine, look, wrong
from hissmark.ingest.security import tls_context
from hissmark.ingest.settings import MqttSettings
from hissmark.ingest.words import SetupError
from hissmark.site.certificate_dates import CertificateError, ends, moment, of_site
from hissmark.site.load import Site

SOON_DAYS = 30
_AREA = "certificates"


def look_at_certificates(site: Site, now_us: int, timeout_s: float = 5.0) -> Iterator[Finding]:
    """When each certificate ends that the site uses."""
    now = datetime.fromtimestamp(now_us / 1e6, UTC)
    for whose, file in of_site(site).items():
        try:
            yield _judged(f"of the {whose}", ends(file), now)
        except CertificateError as error:
            yield wrong(_AREA, f"The certificate of the {whose}: {error}.", "Give a PEM file.")
    if site.settings.mqtt is not None and site.mqtt.uses_tls:
        yield _of_broker(site.mqtt, now, timeout_s)


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
    return _judged(whose, moment(str(shown["notAfter"])), now)


def _judged(whose: str, until: datetime, now: datetime) -> Finding:
    days = (until - now).days
    if until <= now:
        return wrong(_AREA, f"The certificate {whose} ended on {until:%Y-%m-%d}.", "Renew it now.")
    said = f"The certificate {whose} ends on {until:%Y-%m-%d}, in {days} days."
    return look(_AREA, said, "Renew it.") if days < SOON_DAYS else fine(_AREA, said)
