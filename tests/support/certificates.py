"""Certificates made with openssl, for brokers and clients of tests."""

from __future__ import annotations

import subprocess
from pathlib import Path

from support.broker import TlsFiles


class Authority:
    """A certificate authority in a folder of its own; makes certificates for host names or clients."""

    def __init__(self, folder: Path, name: str = "Test authority") -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.folder = folder
        self.key, self.cert = folder / "ca.key", folder / "ca.crt"
        self._run(
            "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
            "-keyout", self.key, "-out", self.cert,
        )  # fmt: skip

    def issue(
        self, name: str, alternative: str | None = None, *, expired: bool = False, days: int = 2
    ) -> tuple[Path, Path]:
        """Certificate and key. `alternative` such as `IP:127.0.0.1` or `DNS:broker.example`."""
        key, request, cert = (self.folder / f"{name}.{end}" for end in ("key", "csr", "crt"))
        extensions = self.folder / f"{name}.ext"
        extensions.write_text(
            f"subjectAltName={alternative}\n" if alternative else "basicConstraints=CA:FALSE\n"
        )
        self._run(
            "req", "-newkey", "rsa:2048", "-nodes", "-subj", f"/CN={name}", "-keyout", key, "-out", request
        )
        # openssl gives a certificate that is over when its days are negative.
        self._run(
            "x509", "-req", "-in", request, "-CA", self.cert, "-CAkey", self.key, "-CAcreateserial",
            "-days", -1 if expired else days, "-extfile", extensions, "-out", cert,
        )  # fmt: skip
        return cert, key

    def broker_files(
        self, alternative: str = "IP:127.0.0.1", *, expired: bool = False, require_client: bool = False
    ) -> TlsFiles:
        """What a broker serves with."""
        cert, key = self.issue("broker", alternative, expired=expired)
        return TlsFiles(self.cert, cert, key, require_client)

    def _run(self, *arguments: object) -> None:
        subprocess.run(["openssl", *map(str, arguments)], check=True, capture_output=True)
