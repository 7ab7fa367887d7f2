"""The register changes while samples stream in, and the service is killed in the middle: nothing is lost.

The changes do not touch how the plant is judged (a note, a group without sensors yet), so samples and journal
must be those of the uninterrupted run to the last entry.
"""

from __future__ import annotations

import json
import random
import shutil
import threading
import time
from pathlib import Path

import pytest

from cli.known_site import hissmark
from faults.conftest import Journal, acknowledge, assert_all_stored, slow_on_postgres
from hissmark.site.load import load_site
from hissmark.site.register_text import register_text
from support import scenario
from support.broker import Broker
from support.faults import fault
from support.publish import Gateway, senml_pack
from support.service import Service, cli_json, journal, until

pytestmark = pytest.mark.broker

RATE = 1200.0
LAST_MINUTE = scenario.FIRST_HOURS
WHO = ("--operator", "M. Okafor", "--comment", "annex")


def register(folder: Path, command: str, *words: str) -> str:
    """`hissmark register`, in this process: it has to be quick to strike in the middle of the stream."""
    done = hissmark("register", str(folder), command, *words)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def with_annex(folder: Path, note: str) -> Path:
    """The register as a spreadsheet saves it, with a note column and two channels nobody has heard yet."""
    head, *rows = (folder / "register.csv").read_text().splitlines()
    columns = head.split(",")
    lines = [";".join([*columns, "remark"]), *(";".join([*row.split(","), note]) for row in rows)]
    for i in (1, 2):
        new = {
            "channel": f"AX-9{i}",
            "kind": "valve",
            "valve": f"XV-9{i}",
            "group": "annex",
            "position": str(i),
        }
        lines.append(";".join([*(new.get(c, "") for c in columns), note]))
    made = folder / "annex.csv"
    made.write_bytes(b"\xef\xbb\xbf" + "\r\n".join(lines).encode())
    return made


def change_and_kill(
    service: Service, rng: random.Random, thread: threading.Thread, words: tuple[str, str]
) -> None:
    """Ask for a change in the middle of the stream, kill the service somewhere around taking it over."""
    time.sleep(rng.uniform(0.2, 1.5))
    register(service.folder, words[0], words[1], "--apply", *WHO, "--wait", "0")
    time.sleep(rng.uniform(0.0, 0.7))
    assert thread.is_alive(), "the stream was under way"
    service.kill()
    service.spawn()
    service.wait_for("listening")


def in_force(folder: Path) -> dict[str, object]:
    """The newest version; none may have failed."""
    rows = [json.loads(line) for line in register(folder, "history", "--json").splitlines()]
    assert all(row["outcome"] == "in force" for row in rows), rows
    return dict(rows[0])


@slow_on_postgres
@fault(
    "SIGKILL while a new register is taken over",
    promised="every sample once, the same journal, the new register in force",
)
def test_killed_while_the_register_changes(plant: Path, broker: Broker, first_hours: Journal) -> None:
    rng, gateway, expected = random.Random(3), Gateway(broker), 0
    first = Path(shutil.copytree(plant, plant.with_name("first")))
    annex = with_annex(plant, "Schräg")
    segments = scenario.stream().segments(LAST_MINUTE, (150.0,))
    with Service(plant).start() as service:
        changes = [("import", str(annex)), ("rollback", "1"), ("import", str(annex))]
        for (messages, samples, valve), words in zip(segments, changes, strict=True):
            with gateway.sending(messages, rate=RATE) as thread:
                if len(messages) > 2 * RATE:
                    change_and_kill(service, rng, thread, words)
                else:  # too short to be killed in
                    register(plant, *words, "--apply", *WHO)
            expected += samples
            service.wait_stored(expected)
            if valve:
                acknowledge(service, valve)
        assert service.get("/api/v1/valves/XV-91")["valve"]["group"] == "annex"
        assert service.stop() == 0
        assert_all_stored(service, LAST_MINUTE)
    assert journal(plant) == first_hours
    newest = in_force(plant)
    assert (newest["version"], newest["operator"], newest["how"]) == (4, "M. Okafor", "imported")
    text = (plant / "register.csv").read_bytes().decode()
    assert "XV-91" in text
    assert not list(plant.glob(".register-*")), "nothing half-written is left"
    register(plant, "rollback", "1", "--apply", *WHO, "--wait", "0")  # while the service is stopped
    assert (plant / "register.csv").read_bytes().decode() == register_text(load_site(first).register)


def test_live_and_without_restart(plant: Path, broker: Broker) -> None:
    """A channel heard and unknown is added; its samples are stored from then on, and it leaves the list."""

    def send(minute: int) -> None:
        at_us = scenario.START_US + minute * scenario.MINUTE_US
        records = [(name, at_us, 30.0 + minute % 3, "dB") for name in ("AX-31", "AX-77")]
        gateway.send([("plant/south/levels", senml_pack(records))])

    gateway = Gateway(broker)
    with Service(plant).start() as service:
        send(0)
        until(lambda: service.get("/api/v1/unknown-names")["names"], "the name to be told as unknown")
        said = register(plant, "add")
        assert "AX-77" in said
        preview = register(plant, "add", "AX-77", "--valve", "XV-77", "--group", "south", "--position", "9")
        assert "added: AX-77 (XV-77, group south)" in preview
        assert "Nothing is changed yet" in preview
        assert service.get("/api/v1/unknown-names")["names"]
        told = register(
            plant, "add", "AX-77", "--valve", "XV-77", "--group", "south", "--position", "9", "--apply", *WHO
        )
        assert "is in force" in told
        assert service.get("/api/v1/unknown-names")["names"] == []
        for minute in range(1, 4):
            send(minute)
        service.wait_stored(7)
        assert len(cli_json(plant, "history", "XV-77", "--raw")) == 3
        assert service.stop() == 0
