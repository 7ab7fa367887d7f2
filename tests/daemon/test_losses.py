"""A running service forgets learned losses on request, for good; its API tells stories."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import httpx
import pytest

from cli.known_site import hissmark_process as hissmark
from hissmark.daemon.service import Daemon
from hissmark.site.load import load_site
from support.broker import Broker, free_port
from support.browser import wait_for
from support.recorded import recording, write_site
from support.rig import LEARNED_S

pytestmark = pytest.mark.broker

BASE = {"AE-1": 22.0, "AE-2": 25.0, "AE-3": 21.0, "AE-4": 23.0, "AE-5": 24.0}
OPENED = {"AE-1": 62.0, "AE-2": 55.0, "AE-3": 56.0, "AE-4": 49.0, "AE-5": 50.0}


@pytest.fixture
def site(tmp_path: Path, broker: Broker) -> Path:
    """XV-1 has been open for an hour: its group has learned from it."""
    mqtt = f'[mqtt]\nhost = "{broker.host}"\nport = {broker.port}\nclient_id = "hissmark-losses"\n'
    source = '[[mqtt.source]]\nfilter = "plant/+/levels"\nformat = "senml"\n'
    folder = write_site(tmp_path / "north", f"{mqtt}{source}[http]\nport = {free_port()}\n")
    with recording(folder) as rig:
        rig.run(LEARNED_S, dict(BASE), {"ZT-1": 0.5})
        rig.run(3600, dict(OPENED), {"ZT-1": 80.0})
        rig.save()
    return folder


def losses(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(hissmark("losses", str(folder), "header", "--json").stdout)
    return found


def test_reset_and_stories_of_a_running_service(site: Path) -> None:
    assert losses(site)["measured"] == 1
    daemon = Daemon(load_site(site))
    daemon.start()
    try:
        api = f"{daemon.address}/api/v1"
        story = httpx.get(f"{api}/valves/XV-2/explain").json()
        assert (story["verdict"], story["basis"]) == ("outside noise", "live")
        assert story["explanations"][0]["words"] == "XV-1 open or just stroked"
        past = httpx.get(f"{api}/valves/XV-2/explain", params={"at": "2026-03-01T01:25:00Z"}).json()
        assert (past["verdict"], past["basis"], past["evidence"]) == ("quiet", "history", None)
        assert httpx.get(f"{api}/valves/XV-2/explain", params={"at": "then"}).status_code == 422
        assert httpx.get(f"{api}/valves/XV-9/explain").status_code == 404
        assert httpx.get(f"{api}/groups/nowhere/acoustics").status_code == 404
        learned = httpx.get(f"{api}/groups/header/acoustics").json()
        assert learned["measured"] == 1
        assert any(p["sd_db"] < p["register_sd_db"] for p in learned["pairs"])

        hissmark("losses", str(site), "header", "--reset", "--operator", "Ada", "--comment", "new pipe")
        wait_for(lambda: losses(site)["measured"] == 0, "the learned losses to be forgotten", 20)
        after = httpx.get(f"{api}/groups/header/acoustics").json()
        assert all(p["loss_db"] == p["register_db"] for p in after["pairs"])
        (reset,) = after["resets"]
        assert reset["operator"] == "Ada"
        assert reset["applied"] is not None
    finally:
        daemon.stop()
    hissmark("losses", str(site), "header", "--reset", "--operator", "Ben")
    again = Daemon(load_site(site))
    again.start()
    try:
        wait_for(lambda: all(r["applied"] for r in losses(site)["resets"]), "the second reset", 20)
        assert [r["operator"] for r in losses(site)["resets"]] == ["Ada", "Ben"]
        assert losses(site)["measured"] == 0
    finally:
        again.stop()
