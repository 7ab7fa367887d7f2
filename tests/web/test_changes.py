"""Feeds: everything behind a position, each once."""

from __future__ import annotations

from hissmark.store.backfill import Mark
from hissmark.store.records import VerdictChange
from support.invented import START_US

URL = "/api/v1/changes"


def test_samples(client, plant):
    first = client.get(f"{URL}/samples").json()
    assert first["rows"]
    assert set(first["rows"][0]) == {"time", "name", "value", "flags"}
    assert client.get(f"{URL}/samples", params={"after": first["position"]}).json()["rows"] == []
    plant.hear(["AS-101"], START_US + 77_000_000, 31.25)
    news = client.get(f"{URL}/samples", params={"after": first["position"]}).json()
    assert [(r["name"], r["value"]) for r in news["rows"]] == [("AS-101", 31.25)]
    assert news["position"] > first["position"]
    assert news["more"] is False


def test_verdicts_journal_and_what_was_judged_again(client, plant):
    before = client.get(f"{URL}/verdicts").json()["position"]
    with plant.writer.transaction() as tx:
        tx.verdict_changes([VerdictChange("XV-101", START_US + 9, "contested", "")])
        tx.backfilled(Mark("North", START_US, START_US + 5, 3, "late"), START_US + 9, 1, 1, 0)
    found = client.get(f"{URL}/verdicts", params={"after": before}).json()["rows"]
    assert [(r["valve"], r["verdict"]) for r in found] == [("XV-101", "contested")]
    (again,) = client.get(f"{URL}/judged-again").json()["rows"]
    assert (again["group"], again["start"], again["cause"]) == ("North", "2026-03-01T02:00:00Z", "late")
    journal = client.get(f"{URL}/journal").json()
    seqs = [r["seq"] for r in journal["rows"]]
    assert seqs == list(range(1, len(seqs) + 1))


def test_pages_join(client, plant):
    """Page by page is the same as at once."""
    for n in range(5):
        plant.hear(["AS-101", "AS-102"], START_US + (100 + n) * 1_000_000, 30.0 + n)
    whole, position, rows = client.get(f"{URL}/samples").json(), 0, []
    while True:
        page = client.get(f"{URL}/samples", params={"after": position, "limit": 1}).json()
        rows += page["rows"]
        position = page["position"]
        if not page["more"]:
            break
    assert rows == whole["rows"]
    assert position == whole["position"]


def test_gone_is_said(client, plant):
    from hissmark.store import arrivals

    for n in range(3):
        plant.hear(["AS-101"], START_US + (200 + n) * 1_000_000, 30.0)
    arrivals.forget(plant._engine, 1 << 62)
    found = client.get(f"{URL}/samples", params={"after": 1})
    assert found.status_code == 410
    assert found.headers["content-type"] == "application/problem+json"
    assert "go on from position" in found.json()["detail"]
