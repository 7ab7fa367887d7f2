"""Our certificate, and whose certificates are trusted: files in folders, as control engineers expect them.

`own/` holds ours, made at the first start; `trusted/` the clients (or their authorities) that may connect;
`rejected/` those that tried: move a file from there to `trusted/` to let a client in.
"""

from __future__ import annotations

import hashlib
import socket
from pathlib import Path

import structlog
from asyncua import ua
from asyncua.common.utils import ServiceError
from asyncua.crypto.cert_gen import setup_self_signed_certificate
from asyncua.crypto.truststore import TrustStore
from asyncua.crypto.validator import CertificateValidator, CertificateValidatorOptions
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding
from cryptography.x509.oid import ExtendedKeyUsageOID

log = structlog.get_logger("hissmark.opcua")

MOST_REJECTED = 50
CHECKS = (
    CertificateValidatorOptions.TIME_RANGE
    | CertificateValidatorOptions.URI
    | CertificateValidatorOptions.TRUSTED
    | CertificateValidatorOptions.REVOKED
    | CertificateValidatorOptions.PEER_CLIENT
)


async def own_certificate(folder: Path, uri: str) -> tuple[Path, Path]:
    """Certificate and key in `folder`, made for this machine if they are not there yet or have run out."""
    own = folder / "own"
    own.mkdir(parents=True, exist_ok=True, mode=0o700)
    cert, key = own / "certificate.der", own / "key.pem"
    await setup_self_signed_certificate(
        key, cert, uri, socket.gethostname(), [ExtendedKeyUsageOID.SERVER_AUTH],
        {"commonName": "hissmark"},
    )  # fmt: skip
    key.chmod(0o600)
    return cert, key


class TrustedClients:
    """Lets in clients whose certificate, or whose authority's, lies in `trusted/`; keeps the others."""

    def __init__(self, folder: Path) -> None:
        self._trusted, self._rejected = folder / "trusted", folder / "rejected"
        for place in (self._trusted, self._rejected):
            place.mkdir(parents=True, exist_ok=True, mode=0o700)

    async def __call__(self, certificate: x509.Certificate, description: ua.ApplicationDescription) -> None:
        """Raises the status code that refuses the client. The folder is read anew each time: no restart."""
        try:
            if not any(self._trusted.iterdir()):
                raise ServiceError(ua.StatusCodes.BadCertificateUntrusted)
            store = TrustStore([self._trusted], [])
            await store.load()
            await CertificateValidator(CHECKS, store)(certificate, description)
        except ServiceError as error:
            self._keep(certificate)
            log.warning(
                "OPC UA client refused: its certificate is not trusted",
                subject=certificate.subject.rfc4514_string(), reason=str(ua.StatusCode(error.code)),
                fix=f"move its file from {self._rejected} to {self._trusted} if it is yours",
            )  # fmt: skip
            raise

    def _keep(self, certificate: x509.Certificate) -> None:
        raw = certificate.public_bytes(Encoding.DER)
        path = self._rejected / f"{hashlib.sha1(raw, usedforsecurity=False).hexdigest()}.der"
        if not path.exists() and sum(1 for _ in self._rejected.iterdir()) < MOST_REJECTED:
            path.write_bytes(raw)
