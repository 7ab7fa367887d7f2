"""The alert rules and the settings of the monitoring that is shipped, by Prometheus's own tools."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
import yaml

ROOT = Path(__file__).parents[2]
DEPLOY, DOCKER = ROOT / "deploy", ROOT / "docker"
RULES = DEPLOY / "prometheus" / "hissmark.rules.yml"

Series = Mapping[str, str]
"""Series -> its values minute by minute, in promtool's notation: `0+60x120` is 0, 60, 120, ..."""

FLOOD = 'hissmark_alarms_recent{window="10m"}'
WELL = 'hissmark_channel_health{group="G",channel="C",health="well"}'
SILENT = 'hissmark_channel_health{group="G",channel="C",health="silent"}'
CASES: dict[str, tuple[Series, Series]] = {
    # alert: (what it must fire on after two hours, what it must not fire on)
    "HissmarkDown": ({'up{job="hissmark"}': "0x120"}, {'up{job="hissmark"}': "1x119 0"}),
    "HissmarkRestarts": (
        {'process_start_time_seconds{job="hissmark"}': "0+60x120"},
        {'process_start_time_seconds{job="hissmark"}': "0x30 60x30 120x60"},
    ),
    "HissmarkStoreAway": ({"hissmark_store_trouble": "1x120"}, {"hissmark_store_trouble": "0x119 1"}),
    "HissmarkTicksStop": (
        {
            'hissmark_group_tick_age_seconds{group="G"}': "6000+60x120",
            'hissmark_group_data_age_seconds{group="G"}': "20x120",
        },
        {  # the whole group is silent: another alert tells of that
            'hissmark_group_tick_age_seconds{group="G"}': "6000+60x120",
            'hissmark_group_data_age_seconds{group="G"}': "6000+60x120",
        },
    ),
    "HissmarkNotJudged": (
        {
            'hissmark_samples_not_judged_total{why="ahead"}': "0+30x120",
            "hissmark_samples_total": "0+100x120",
        },
        {
            'hissmark_samples_not_judged_total{why="ahead"}': "0+10x120",
            'hissmark_samples_not_judged_total{why="retained"}': "0+90x120",
            "hissmark_samples_total": "0+100x120",
        },
    ),
    "SparkplugNodesNotBorn": (
        {
            'hissmark_sparkplug_nodes{state="not born"}': "1x120",
            'hissmark_sparkplug_nodes{state="born"}': "3x120",
        },
        {'hissmark_sparkplug_nodes{state="not born"}': "0x110 1x10"},
    ),
    "ReceiverRefuses": (
        {'hissmark_notifications_total{receiver="mail",outcome="refused"}': "0x100 1x20"},
        {
            'hissmark_notifications_total{receiver="mail",outcome="refused"}': "1x120",
            'hissmark_notifications_total{receiver="mail",outcome="sent"}': "0+1x120",
        },
    ),
    "HissmarkDescriptors": (
        {'process_open_fds{job="hissmark"}': "900x120", 'process_max_fds{job="hissmark"}': "1024x120"},
        {'process_open_fds{job="hissmark"}': "700x120", 'process_max_fds{job="hissmark"}': "1024x120"},
    ),
    "HissmarkJudgingStopped": ({"hissmark_worker_alive": "0x120"}, {"hissmark_worker_alive": "1x119 0"}),
    "HissmarkHangs": (
        {'hissmark_worker_busy_seconds{doing="storing"}': "0+60x120"},
        {'hissmark_worker_busy_seconds{doing="judging"}': "0x119 130"},
    ),
    "HissmarkBrokerLost": ({"hissmark_connected": "0x120"}, {"hissmark_connected": "1x118 0x2"}),
    "HissmarkPublishesNothing": (
        {'hissmark_publishing{way="out"}': "0x120"},
        {'hissmark_publishing{way="out"}': "1x118 0x2"},
    ),
    "HissmarkSubscriptionRefused": (
        {"hissmark_filters_refused": "1x120"},
        {"hissmark_filters_refused": "0x119 1"},
    ),
    "HissmarkSessionLost": (
        {"hissmark_session_losses_total": "0x100 1x20"},
        {"hissmark_session_losses_total": "0x20 1x100"},
    ),
    "HissmarkReceiverRestarts": (
        {"hissmark_receiver_restarts_total": "0x100 3x20"},
        {"hissmark_receiver_restarts_total": "2x120"},
    ),
    "HissmarkNothingCommitted": (
        {"hissmark_last_commit_age_seconds": "0+60x120", "hissmark_queue_messages": "5x120"},
        {"hissmark_last_commit_age_seconds": "0+60x120", "hissmark_queue_messages": "0x120"},
    ),
    "HissmarkNoBackup": (
        {"hissmark_backup_failures_total": "0x100 1x20", "hissmark_last_backup_timestamp_seconds": "0x120"},
        {"hissmark_backup_failures_total": "1x120", "hissmark_last_backup_timestamp_seconds": "0x120"},
    ),
    "HissmarkBehind": (
        {"hissmark_ingest_behind_seconds": "0+60x120"},
        {"hissmark_ingest_behind_seconds": "0+60x100 40x20"},
    ),
    "HissmarkPaused": (
        {"hissmark_receive_paused": "0x60 1x60"},
        {"hissmark_receive_paused": "0x110 1 0 0 1 0 0 1 0 0 1"},
    ),
    "HissmarkClockSet": (
        {"hissmark_clock_steps_total": "0x100 1x20"},
        {"hissmark_clock_steps_total": "0x20 1x100"},
    ),
    "HissmarkUnreadable": (
        {'hissmark_rejects_total{reason="unreadable"}': "0x100 1x20"},
        {'hissmark_rejects_total{reason="not-json"}': "0x100 1x20"},
    ),
    "HissmarkGroupSilent": (
        {'hissmark_group_data_age_seconds{group="G"}': "0+60x120"},
        {'hissmark_group_data_age_seconds{group="G"}': "20x120"},
    ),
    "HissmarkRejects": (
        {'hissmark_rejects_total{reason="not-json"}': "0+60x120"},
        {'hissmark_rejects_total{reason="not-json"}': "0+1x120"},
    ),
    "HissmarkPagesFail": (
        {'hissmark_http_request_duration_seconds_count{route="alarms",status="500"}': "0+5x120"},
        {'hissmark_http_request_duration_seconds_count{route="alarms",status="404"}': "0+5x120"},
    ),
    "HissmarkSensorUnwell": ({SILENT: "1x600"}, {WELL: "1x600"}),
    "ReceiverNotTold": (
        {'hissmark_receiver_failing{receiver="mail"}': "1x120"},
        {'hissmark_receiver_failing{receiver="mail"}': "0x110 1x10"},
    ),
    "HousekeepingOverdue": (
        {'hissmark_housekeeping_overdue_seconds{job="retention"}': "0x119 1"},
        {'hissmark_housekeeping_overdue_seconds{job="retention"}': "0x120"},
    ),
    "HissmarkDamaged": ({"hissmark_damaged": "0x119 1"}, {"hissmark_damaged": "0x120"}),
    "HissmarkDiskFull": (
        {'hissmark_disk_free_bytes{holds="database"}': "1900000000x120"},
        {'hissmark_disk_free_bytes{holds="database"}': "1900000000x110 2100000000x10"},
    ),
    "HissmarkLogGrows": ({"hissmark_wal_bytes": "2000000000x120"}, {"hissmark_wal_bytes": "900000000x120"}),
    "HissmarkMemory": (
        {'process_resident_memory_bytes{job="hissmark"}': "1800000000x120"},
        {'process_resident_memory_bytes{job="hissmark"}': "1600000000x120"},
    ),
    "CertificateEnds": (  # promtool's clock begins at 1970
        {'hissmark_certificate_ends_timestamp_seconds{whose="page"}': f"{20 * 86_400}x120"},
        {'hissmark_certificate_ends_timestamp_seconds{whose="page"}': f"{22 * 86_400}x120"},
    ),
    "HousekeepingFails": (
        {'hissmark_housekeeping_failures_total{job="retention"}': "0x60 9x60"},
        {'hissmark_housekeeping_failures_total{job="retention"}': "9x60 10x60"},
    ),
    "PasswordsGuessed": (
        {'hissmark_sign_ins_total{outcome="refused"}': "0+1x120"},
        {'hissmark_sign_ins_total{outcome="granted"}': "0+9x120"},
    ),
    "AlarmFlood": ({FLOOD: "11x120"}, {FLOOD: "10x120"}),
    "ValvePassing": (
        {'hissmark_verdict{group="G",valve="V",channel="C",verdict="passing"}': "1x120"},
        {'hissmark_verdict{group="G",valve="V",channel="C",verdict="spill"}': "1x120"},
    ),
}
HOURS = {"HissmarkSensorUnwell": 8}
"""When to look, where two hours are not enough."""


def rules() -> list[dict[str, Any]]:
    groups = yaml.safe_load(RULES.read_text("utf-8"))["groups"]
    return [rule for group in groups for rule in group["rules"]]


def test_alert_rules_say_what_to_do() -> None:
    for rule in rules():
        assert set(rule["annotations"]) == {"summary", "action"}, rule["alert"]
        assert rule["labels"]["severity"] in {"info", "warning", "critical"}


def promtool(*arguments: object) -> str:
    if not shutil.which("promtool"):
        pytest.skip("promtool is not installed (apt install prometheus)")
    done = subprocess.run(["promtool", *map(str, arguments)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_alert_rules_are_understood_by_prometheus() -> None:
    assert f"{len(rules())} rules found" in promtool("check", "rules", RULES)


def case(alert: str, series: Series, fires: bool) -> dict[str, Any]:
    """One test of promtool: whether the alert fires at the end of the series."""
    firing = [{"labels": "{}", "value": 1}] if fires else []
    ask = f'count(ALERTS{{alertname="{alert}",alertstate="firing"}})'
    return {
        "interval": "1m",
        "input_series": [{"series": name, "values": values} for name, values in series.items()],
        "promql_expr_test": [
            {"expr": ask, "eval_time": f"{HOURS.get(alert, 2)}h", "exp_samples": firing},
        ],
    }


def test_each_alert_fires_when_it_should_and_not_otherwise(tmp_path: Path) -> None:
    """By Prometheus's own evaluation."""
    assert {rule["alert"] for rule in rules()} == set(CASES)
    tests = [
        case(alert, series, fires)
        for alert, pair in CASES.items()
        for series, fires in zip(pair, (True, False), strict=True)
    ]
    file = tmp_path / "cases.yml"
    file.write_text(yaml.safe_dump({"rule_files": [str(RULES)], "tests": tests}), "utf-8")
    promtool("test", "rules", file)


def test_prometheus_takes_its_settings(tmp_path: Path) -> None:
    text = (DOCKER / "prometheus" / "prometheus.yml").read_text("utf-8")
    file = tmp_path / "prometheus.yml"
    file.write_text(text.replace("/etc/prometheus/hissmark.rules.yml", str(RULES)), "utf-8")
    assert "SUCCESS" in promtool("check", "config", file)


@pytest.mark.skipif(not shutil.which("amtool"), reason="no amtool (apt install prometheus-alertmanager)")
def test_alertmanager_takes_its_settings() -> None:
    file = DOCKER / "alertmanager" / "alertmanager.yml"
    subprocess.run(["amtool", "check-config", file], check=True, capture_output=True)


@pytest.mark.skipif(not shutil.which("caddy"), reason="caddy is not installed (apt install caddy)")
def test_proxy_takes_its_settings() -> None:
    command = ["caddy", "validate", "--adapter", "caddyfile", "--config", DOCKER / "caddy" / "Caddyfile"]
    subprocess.run(command, check=True, capture_output=True)
