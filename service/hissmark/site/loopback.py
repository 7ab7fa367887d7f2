"""Which hosts are this machine only."""

from __future__ import annotations

import ipaddress


def is_loopback(host: str) -> bool:
    """Whether `host` is this machine only."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False
