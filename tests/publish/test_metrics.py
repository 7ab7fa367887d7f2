"""Metrics as a scrape sees them, read back with Prometheus' own parser."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from support.invented import PASSING, QUIET, Invented, invented

DOCS = Path(__file__).parents[2] / "service" / "docs" / "metrics.md"

CONTRACT = {
    "hissmark_messages_total", "hissmark_samples_total", "hissmark_rejects_total",
    "hissmark_ingest_lag_seconds_bucket", "hissmark_last_commit_age_seconds", "hissmark_queue_messages",
    "hissmark_alarms_active", "hissmark_level_db",
    "hissmark_baseline_db", "hissmark_rise_db", "hissmark_verdict", "hissmark_channel_health",
    "hissmark_tick_duration_seconds_bucket", "hissmark_database_bytes",
}  # fmt: skip


@pytest.fixture
def plant(tmp_path: Path) -> Iterator[Invented]:
    with invented(tmp_path, {"North": 5, "South": 5}) as made:
        made.tick({"North": PASSING, "South": QUIET})
        made.raise_alarm("XV-103")
        made.metrics.http_s.labels("/metrics", "200").observe(0.01)
        yield made


def scrape(plant: Invented) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    families = text_string_to_metric_families(plant.metrics.exposition().decode())
    return {(s.name, tuple(sorted(s.labels.items()))): s.value for f in families for s in f.samples}


def test_what_the_contract_promises_is_there(plant: Invented) -> None:
    assert CONTRACT - {name for name, _ in scrape(plant)} == set()


def test_every_metric_of_a_scrape_is_explained(plant: Invented) -> None:
    said = DOCS.read_text("utf-8")
    names = {
        re.sub(r"_(bucket|sum|count|created)$", "", name).removesuffix("_total") for name, _ in scrape(plant)
    }
    assert {n for n in names if not re.search(rf"`{n}(_total)?`", said)} == set()


def test_a_valve_has_one_verdict(plant: Invented) -> None:
    rows = {labels: v for (name, labels), v in scrape(plant).items() if name == "hissmark_verdict"}
    assert len(rows) == 10
    at_source = [dict(labels)["verdict"] for labels in rows if dict(labels)["valve"] == "XV-103"]
    assert at_source == ["passing"]


def test_levels_carry_the_values_of_the_reading(plant: Invented) -> None:
    key = (("channel", "AS-103"), ("group", "North"), ("valve", "XV-103"))
    rows = scrape(plant)
    rise = rows["hissmark_level_db", key] - rows["hissmark_baseline_db", key]
    assert rise == pytest.approx(rows["hissmark_rise_db", key], abs=0.02)


def test_alarms_by_priority_and_state(plant: Invented) -> None:
    rows = scrape(plant)
    assert rows["hissmark_alarms_active", (("priority", "high"),)] == 1
    assert rows["hissmark_alarms_active", (("priority", "low"),)] == 0
    assert rows["hissmark_alarms", (("priority", "high"), ("state", "unacknowledged"))] == 1


def test_ages_run_on_the_service_clock(plant: Invented) -> None:
    plant.clock.at_us += 42_000_000
    assert scrape(plant)["hissmark_last_commit_age_seconds", ()] == pytest.approx(42.0)


def test_reject_reasons_exist_before_the_first_reject(plant: Invented) -> None:
    assert scrape(plant)["hissmark_rejects_total", (("reason", "not-json"),)] == 0
