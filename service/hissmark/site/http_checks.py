"""Checks ``[http]``: what a service needs that others than this machine can reach."""

from __future__ import annotations

import ipaddress
import ssl
from pathlib import Path as FilePath

from hissmark.site.files import file_of
from hissmark.site.loopback import is_loopback
from hissmark.site.problems import Findings
from hissmark.site.settings import HttpSettings
from hissmark.site.toml_lines import TomlLines


class HttpCheck:
    """Reports everything in ``[http]`` that keeps the service from starting or its users from being safe."""

    def __init__(self, folder: FilePath, http: HttpSettings, lines: TomlLines, findings: Findings) -> None:
        self.folder = folder
        self.http = http
        self.lines = lines
        self.findings = findings

    def run(self) -> None:
        """Report all of it."""
        self._check_reach()
        self._check_certificate()
        self._check_proxies()
        http = self.http
        if http.session_idle_s > http.session_longest_s:
            message = (
                f"{http.session_idle_s} s is longer than session_longest_s ({http.session_longest_s} s)."
            )
            self._say(
                "session_idle_s", message, "Make it shorter, or nobody is ever signed out for being idle."
            )

    def _say(self, key: str, message: str, fix: str) -> None:
        self.findings.error(self.lines.of(("http", key)), f"http.{key}", message, fix)

    def _check_reach(self) -> None:
        http = self.http
        if is_loopback(http.host) or http.cert_file or http.trusted_proxy:
            return
        self._say(
            "host",
            f"{http.host!r} can be reached from other machines, and nothing encrypts passwords on the way.",
            "Give cert_file and key_file, name the proxy that encrypts in trusted_proxy, or keep 127.0.0.1.",
        )

    def _check_certificate(self) -> None:
        http = self.http
        for key, other in (("cert_file", "key_file"), ("key_file", "cert_file")):
            if getattr(http, key) and not getattr(http, other):
                self._say(key, f"is given without {other}.", f"Add {other}.")
        readable = [k for k in ("cert_file", "key_file") if getattr(http, k) and self._readable(k)]
        if len(readable) == 2:
            self._check_pair(str(http.cert_file), str(http.key_file))

    def _readable(self, key: str) -> bool:
        text = getattr(self.http, key)
        try:
            file_of(self.folder, text).read_bytes()
        except OSError as slip:
            reason = (slip.strerror or "unknown reason").lower()
            fix = "Give a file that is there; names count from the site folder."
            self._say(key, f"{text!r} cannot be read: {reason}.", fix)
            return False
        return True

    def _check_pair(self, certificate: str, key: str) -> None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        try:
            # An empty password keeps OpenSSL from asking on the terminal for an encrypted key.
            context.load_cert_chain(file_of(self.folder, certificate), file_of(self.folder, key), password="")
        except (ssl.SSLError, OSError, ValueError):
            fix = "Give both in PEM form, and the key that the certificate was made for."
            self._say("cert_file", f"{certificate!r} and {key!r} are no certificate with its open key.", fix)

    def _check_proxies(self) -> None:
        for i, text in enumerate(self.http.trusted_proxy):
            try:
                ipaddress.ip_network(text, strict=False)
            except ValueError:
                line = self.lines.of(("http", "trusted_proxy", i)) or self.lines.of(("http", "trusted_proxy"))
                fix = 'Write addresses or networks, for instance ["10.20.0.5", "172.28.0.0/16"].'
                self.findings.error(line, "http.trusted_proxy", f"{text!r} is no address or network.", fix)
