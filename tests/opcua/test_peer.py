"""The OPC UA server against a client of another making (node-opcua), encrypted and with a password.

Sources: OPC 10000-4 (filters, security), 10000-9 (alarms, shelving), 10000-11 (history).
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

pytest.importorskip("asyncua")
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

from hissmark.access.roles import Role
from hissmark.opcua.server import Options
from support.browser import wait_for
from support.invented import PASSING, QUIET, START_US, Invented, invented
from support.opcua_peer import Peer, need_peer
from support.opcua_served import client_files, served
from support.people import NAMES, PASSWORD, People

GROUP = "Steam header B"
START = datetime.fromtimestamp(START_US / 1e6, UTC)
MINUTE_US = 60_000_000
OURS = 1
"""Number of our namespace, asked for by its name."""


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Invented]:
    with invented(tmp_path_factory.mktemp("plant"), {GROUP: 5}) as made:
        made.hear([c.source for c in made.layout.channels])
        made.clock.at_us += 30 * MINUTE_US
        for k in range(31):
            made.tick({GROUP: PASSING if k > 20 else QUIET}, START_US + k * MINUTE_US)
        yield made


@pytest.fixture(scope="module")
def options(plant: Invented, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Options]:
    people = People(tmp_path_factory.mktemp("people")).everybody()
    with served(plant, people.book, unencrypted=False) as made:
        yield made
    people.close()


@pytest.fixture(scope="module")
def peer(options: Options, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Peer]:
    library, folder = need_peer(), tmp_path_factory.mktemp("client")
    certificate, key = asyncio.run(client_files(folder))
    (options.folder / "trusted" / "peer.der").write_bytes(certificate.read_bytes())
    pem = folder / "cert.pem"
    pem.write_bytes(x509.load_der_x509_certificate(certificate.read_bytes()).public_bytes(Encoding.PEM))
    made = Peer(library)
    try:
        spaces = made.ask(
            "connect", url=options.address, certificate=str(pem), key=str(key), pki=str(folder / "pki"),
            user=NAMES[Role.OPERATOR], password=PASSWORD,
        )  # fmt: skip
        assert spaces.index(options.uri) == OURS
        yield made
    finally:
        made.close()


def node(name: str) -> str:
    return f"ns={OURS};s={name}"


def events(peer: Peer, valve: str) -> list[dict[str, Any]]:
    return [e for e in peer.ask("heard")["events"] if e["SourceName"] == valve]


def told(peer: Peer, valve: str, count: int) -> dict[str, Any]:
    """The event of that number of a valve, once it is there."""
    wait_for(lambda: len(events(peer, valve)) >= count, f"event {count} of {valve}", 30)
    return events(peer, valve)[count - 1]


def test_it_browses_reads_and_follows_values(peer: Peer, plant: Invented) -> None:
    names = [name for name, *_ in peer.ask("browse", node=node("site"))]
    assert GROUP in names
    found = {name: ident for name, ident, _ in peer.ask("browse", node=node("subject/XV-103"))}
    assert {"Level", "Rise", "Verdict"} <= set(found)
    peer.ask("subscribe", node=found["Rise"])
    plant.clock.at_us += MINUTE_US
    plant.tick({GROUP: PASSING}, plant.clock.at_us)
    values = wait_for(lambda: [v for v in peer.ask("heard")["values"] if v["value"]], "the tick", 30)
    assert values[-1]["value"] == pytest.approx(14.2, abs=1e-5)
    assert values[-1]["status"] == "Good"
    assert peer.ask("read", node=found["Verdict"])["value"] == "passing"


def test_it_reads_the_history_of_levels(peer: Peer) -> None:
    end = START + timedelta(minutes=31)
    found = peer.ask(
        "history", node=node("channel/AS-103/Level"), start=START.isoformat(), end=end.isoformat()
    )
    assert len(found) == 31
    assert [v["value"] for v in (found[20], found[21])] == [
        pytest.approx(27.7, abs=1e-5),
        pytest.approx(37.2, abs=1e-5),
    ]
    back = peer.ask(
        "history", node=node("channel/AS-103/Level"), end=START.isoformat(),
        start=(START + timedelta(minutes=2)).isoformat(),
    )  # fmt: skip
    minutes = [datetime.fromisoformat(v["at"]) - START for v in back]
    assert minutes == [
        timedelta(minutes=2),
        timedelta(minutes=1),
    ]  # the start belongs to it, the end does not


def test_it_hears_acknowledges_shelves_and_reads_the_events_again(peer: Peer, plant: Invented) -> None:
    peer.ask("listen", node="i=2253", type="AcknowledgeableConditionType")  # Server; a type above ours
    plant.raise_alarm("XV-102", ago_min=1)
    first = told(peer, "XV-102", 1)
    assert (first["ActiveState.Id"], first["AckedState.Id"], first["Retain"]) == (True, False, True)
    assert (first["Severity"], first["ConditionName"]) == (800, "passing")
    condition, machine = first["ConditionId"], f"{first['ConditionId']}/ShelvingState"

    said = {"condition": condition, "event": first["EventId"], "comment": "crew is on its way"}
    assert peer.ask("acknowledge", **said) == "Good"
    second = told(peer, "XV-102", 2)
    assert (second["AckedState.Id"], second["Comment"], second["ClientUserId"]) == (
        True, "crew is on its way", "otto",
    )  # fmt: skip
    assert (
        peer.ask("comment", condition=condition, event=second["EventId"], comment="scaffold first") == "Good"
    )
    assert told(peer, "XV-102", 3)["Comment"] == "scaffold first"

    plant.clock.at_us += MINUTE_US
    hour_ms = 3_600_000
    shelve = {"object": machine, "method": "i=2949", "inputs": [["Double", hour_ms]]}  # TimedShelve
    assert peer.ask("call", **{**shelve, "inputs": [["Double", 1e12]]}) == "BadShelvingTimeOutOfRange"
    assert peer.ask("call", **shelve) == "Good"
    assert told(peer, "XV-102", 4)["ShelvingState.CurrentState"] == "Timed Shelved"
    assert peer.ask("call", **shelve) == "BadConditionAlreadyShelved"
    plant.clock.at_us += MINUTE_US

    def left_ms() -> float:
        return float(peer.ask("read", node=f"{machine}/UnshelveTime")["value"])

    wait_for(lambda: left_ms() == hour_ms - 60_000, "the time on the shelf to count down", 30)
    assert peer.ask("call", object=machine, method="i=2947", inputs=[]) == "Good"  # Unshelve
    assert told(peer, "XV-102", 5)["ShelvingState.CurrentState"] == "Unshelved"
    assert peer.ask("call", object=machine, method="i=2947", inputs=[]) == "BadConditionNotShelved"
    plant.clock.at_us += MINUTE_US
    assert peer.ask("call", object=machine, method="i=2948", inputs=[]) == "Good"  # OneShotShelve
    assert told(peer, "XV-102", 6)["ShelvingState.CurrentState"] == "One Shot Shelved"

    end = datetime.fromtimestamp(plant.clock.at_us / 1e6, UTC) + timedelta(minutes=1)
    past = peer.ask(
        "events", node=node("subject/XV-102"), start=START.isoformat(), end=end.isoformat(), most=2
    )
    live = [
        e for n, e in enumerate(events(peer, "XV-102"), 1) if n != 3
    ]  # a comment is a note, no alarm event
    assert [e["EventId"] for e in past] == [e["EventId"] for e in live]
    shelf = [e["ShelvingState.CurrentState"] for e in past[2:]]
    assert shelf == ["Timed Shelved", "Unshelved", "One Shot Shelved"]
    assert [e["Comment"] for e in past[:2]] == ["", "crew is on its way"]


def test_its_own_list_of_alarms_fills_by_refresh(peer: Peer, plant: Invented) -> None:
    """It subscribes to Server with all the fields of the type, and asks for a refresh."""
    plant.raise_alarm("XV-104", ago_min=1)
    told(peer, "XV-104", 1)

    def listed() -> Any:
        return [a for a in peer.ask("list") if a["source"] == "XV-104"]

    (alarm,) = wait_for(listed, "the standing alarm", 30)
    assert alarm["condition"] == node("alarm/XV-104/passing")
    assert (alarm["retain"], alarm["acked"]) == (True, False)
