"""Cables that can be pulled: a network namespace for the service, joined to ours by virtual interfaces.

with Cabinet() as cabinet:
    cable = cabinet.cable()
    broker = Broker(folder, extra=(f"listener {port} {cable.host}",))
    service = Service(site, program=cabinet.inside(COMMAND))
    cable.pull()        # nobody is told: packets go nowhere, as with a host that has lost its power

What runs inside sees ours at `cable.host` only; it has no other way out. Addresses are of 198.18.0.0/15,
which is set aside for tests of networks (RFC 2544, appendix C.2.2; RFC 6890).
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Sequence
from dataclasses import dataclass
from types import TracebackType

import pytest


@dataclass(frozen=True)
class Cable:
    """One pair. `host`: our end's address."""

    host: str
    interface: str

    def pull(self) -> None:
        _ip("link", "set", self.interface, "down")

    def plug(self) -> None:
        _ip("link", "set", self.interface, "up")


class Cabinet:
    """A network namespace; skips where we may not make one."""

    def __init__(self) -> None:
        self._name = f"hissmark-{os.getpid()}"
        self._cables: list[Cable] = []

    def cable(self) -> Cable:
        """Lay one more cable, plugged in."""
        number, tag = len(self._cables) + 1, os.getpid() % 100_000
        ours, theirs = f"hm{tag}o{number}", f"hm{tag}i{number}"
        net = f"198.18.{tag % 256}"
        cable = Cable(f"{net}.{4 * number + 1}", ours)
        _ip("link", "add", ours, "type", "veth", "peer", "name", theirs, "netns", self._name)
        self._cables.append(cable)
        _ip("address", "add", f"{cable.host}/30", "dev", ours)
        _ip("-n", self._name, "address", "add", f"{net}.{4 * number + 2}/30", "dev", theirs)
        _ip("-n", self._name, "link", "set", theirs, "up")
        cable.plug()
        return cable

    def inside(self, program: Sequence[str]) -> list[str]:
        """The command that runs a program inside."""
        return ["ip", "netns", "exec", self._name, *program]

    def __enter__(self) -> Cabinet:
        if shutil.which("ip") is None:
            pytest.skip("iproute2 is not installed (apt install iproute2)")
        made = subprocess.run(["ip", "netns", "add", self._name], capture_output=True, text=True, check=False)
        if made.returncode:
            pytest.skip(f"no network namespace can be made here: {made.stderr.strip()}")
        _ip("-n", self._name, "link", "set", "lo", "up")
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for cable in self._cables:
            subprocess.run(["ip", "link", "delete", cable.interface], capture_output=True, check=False)
        subprocess.run(["ip", "netns", "delete", self._name], capture_output=True, check=False)


def _ip(*words: str) -> None:
    subprocess.run(["ip", *words], check=True, capture_output=True)
