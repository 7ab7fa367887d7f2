"""Two operators acknowledge the same alarm at the same moment: one action, and both are told who it was."""

from __future__ import annotations

import threading
import time
from pathlib import Path

import httpx
import pytest

from hissmark.access.roles import Role
from support import panel
from support.broker import Broker
from support.patience import PATIENCE_S
from support.people import BY, PASSWORD, Clock, People
from support.publish import Gateway
from support.service import Service, until, write_site

QUICK = {"baseline": {"learn_s": 3600, "learn_windows": 5}}
LEAK_DB = (43.0, 52.0, 43.0)
ACKNOWLEDGE = "/api/v1/alarms/XV-2/passing/acknowledge"
QUIET_ROWS, LEAK_ROWS = 720, 240


def stream() -> list[panel.Row]:
    """Two quiet hours, then forty minutes in which XV-2 leaks."""
    rows = panel.rows(QUIET_ROWS + LEAK_ROWS)
    leak = [
        (
            at,
            [
                (name, round(level - panel.LEVEL_DB + loud, 2))
                for (name, level), loud in zip(row, LEAK_DB, strict=True)
            ],
        )
        for at, row in rows[QUIET_ROWS:]
    ]
    return rows[:QUIET_ROWS] + leak


def signed_in(url: str, name: str) -> httpx.Client:
    browser = httpx.Client(base_url=url, timeout=PATIENCE_S, headers={"Origin": url})
    assert browser.post("/sign-in", data={"name": name, "password": PASSWORD}).status_code == 303
    return browser


@pytest.mark.broker
def test_one_action_and_both_are_told_who(tmp_path: Path, broker: Broker) -> None:
    site = write_site(tmp_path / "site", broker, panel.REGISTER, tables=QUICK)
    people = People(site, clock=Clock(time.time_ns() // 1000))
    for name in ("otto", "olga"):
        people.book.add(name, Role.OPERATOR, PASSWORD, BY)
    with Service(site).start() as service:
        found = stream()
        Gateway(broker).send(panel.packs(found))
        service.wait_stored(3 * len(found))  # nothing in hand but what the two do
        url = f"http://127.0.0.1:{service.port}"
        browsers = {name: signed_in(url, name) for name in ("otto", "olga")}
        until(lambda: browsers["otto"].get("/api/v1/alarms").json()["alarms"], "the alarm")
        answers: dict[str, httpx.Response] = {}
        ready = threading.Barrier(2)

        def acknowledge(name: str) -> None:
            ready.wait()
            answers[name] = browsers[name].post(ACKNOWLEDGE, json={"operator": "me", "comment": f"by {name}"})

        both = [threading.Thread(target=acknowledge, args=(name,)) for name in browsers]
        for one in both:
            one.start()
        for one in both:
            one.join()

        (first,) = [name for name, answer in answers.items() if answer.status_code == 200]
        (late,) = [name for name, answer in answers.items() if answer.status_code == 409]
        assert answers[first].json()["alarm"]["operator"] == first
        assert f"acknowledged by {first}" in answers[late].json()["detail"]
        journal = browsers[late].get("/api/v1/alarms/journal").json()["entries"]
        done = [(row["operator"], row["comment"]) for row in journal if row["event"] == "acknowledged"]
        assert done == [(first, f"by {first}")]
        for browser in browsers.values():
            (alarm,) = browser.get("/api/v1/alarms").json()["alarms"]
            assert (alarm["state"], alarm["operator"]) == ("acknowledged", first)
            browser.close()
        acted = {row.who: row.detail for row in people.book.audit() if row.event == "acted"}
        assert acted == {first: f"POST {ACKNOWLEDGE}: 200", late: f"POST {ACKNOWLEDGE}: 409"}
        assert service.stop() == 0
    people.close()
