"""Where a request comes from: the address itself, or what a trusted proxy says about it."""

from __future__ import annotations

import ipaddress
from collections.abc import Iterable
from dataclasses import dataclass
from urllib.parse import SplitResult, urlsplit

from starlette.datastructures import Headers
from starlette.types import Scope

_FORWARDING = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_IPV6_SITE = 64
"""Bits of an IPv6 address that belong to one subscriber; the rest they choose as they like."""


class Proxies:
    """Addresses whose word about others is believed."""

    def __init__(self, networks: Iterable[str] = ()) -> None:
        self._networks = [ipaddress.ip_network(text, strict=False) for text in networks]

    def __bool__(self) -> bool:
        return bool(self._networks)

    def __contains__(self, address: str) -> bool:
        found = _ip(address)
        return found is not None and any(found in network for network in self._networks)


@dataclass(frozen=True, slots=True)
class Caller:
    """Who sent a request, as far as the network tells.

    Attributes:
        address: of the person's machine; for IPv6 its network, for limits and record.
        here: it comes from this machine, and nobody passed it on.
        proxied: a trusted proxy passed it on.
        secure: the person's end of the connection is encrypted.
        host: host and port that the person sees.
    """

    address: str
    here: bool
    proxied: bool
    secure: bool
    host: str

    @staticmethod
    def of(scope: Scope, proxies: Proxies) -> Caller:
        headers = Headers(scope=scope)
        peer = str((scope.get("client") or ("",))[0])
        host = headers.get("host", "")
        here = _is_loopback(peer) and not any(name in headers for name in _FORWARDING)
        if peer not in proxies:
            return Caller(_site(peer), here, False, scope.get("scheme") == "https", host)
        secure = headers.get("x-forwarded-proto", "").strip().lower() == "https"
        address = _first_stranger(headers.getlist("x-forwarded-for"), proxies) or peer
        return Caller(_site(address), here, True, secure, headers.get("x-forwarded-host", host).strip())

    @property
    def by_address_or_plain_name(self) -> bool:
        """Whether the host asked for is an IP address, or a name that nobody can register."""
        name = _parts(f"//{self.host}").hostname or ""
        return "." not in name or _ip(name) is not None

    def wrote(self, origin: str) -> bool:
        """Whether a page of this service sent a request with this Origin (RFC 6454)."""
        place = _parts(origin).netloc
        return bool(place) and place.lower() == self.host.lower()


def _first_stranger(lines: list[str], proxies: Proxies) -> str:
    """The last address that no trusted proxy vouches for: everything before it may be invented."""
    for text in reversed([part.strip() for line in lines for part in line.split(",")]):
        if text not in proxies:
            return text if _ip(text) is not None else ""
    return ""


def _parts(text: str) -> SplitResult:
    """The parts of an address; all empty if it is none."""
    try:
        return urlsplit(text)
    except ValueError:
        return urlsplit("")


def _ip(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        found = ipaddress.ip_address(text.strip("[]"))
    except ValueError:
        return None
    return getattr(found, "ipv4_mapped", None) or found


def _is_loopback(text: str) -> bool:
    found = _ip(text)
    return found is not None and found.is_loopback


def _site(text: str) -> str:
    found = _ip(text)
    if isinstance(found, ipaddress.IPv6Address) and not found.is_loopback:
        return str(ipaddress.ip_network((found, _IPV6_SITE), strict=False))
    return str(found) if found is not None else text[:100]
