"""The service's own certificate, taken up anew when its files change: renewal needs no restart."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from pathlib import Path

import structlog

log = structlog.get_logger("hissmark.daemon")

Stamp = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class CertificateFiles:
    """Certificate with its chain, and its private key; PEM."""

    cert: Path
    key: Path

    def stamp(self) -> Stamp | None:
        """What tells that a file is another one than before; None while one is not there."""
        try:
            cert, key = self.cert.stat(), self.key.stat()
        except OSError:
            return None
        return cert.st_mtime_ns, cert.st_ino, key.st_mtime_ns, key.st_ino


class Certificate:
    """Keeps the certificate of a TLS context equal to its files. Connections that stand keep theirs."""

    def __init__(self, files: CertificateFiles, context: ssl.SSLContext) -> None:
        self._files, self._context = files, context
        self._seen = files.stamp()

    def refresh(self) -> bool:
        """Look whether the files changed, and take them up. Returns whether they were."""
        stamp = self._files.stamp()
        if stamp is None or stamp == self._seen:
            return False
        self._seen = stamp
        try:
            # Tried apart first: between the writing of the two files they do not belong together.
            ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(
                self._files.cert, self._files.key, password=""
            )
            self._context.load_cert_chain(self._files.cert, self._files.key, password="")
        except (ssl.SSLError, OSError, ValueError) as error:
            log.warning("the new certificate cannot be used; the old one stays", reason=str(error))
            return False
        log.info("certificate taken up anew", file=str(self._files.cert))
        return True
