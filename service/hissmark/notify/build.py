"""From a site's settings to its receivers."""

from __future__ import annotations

import time
from pathlib import Path

import sqlalchemy as sa

from hissmark.notify.alertmanager import Alertmanager
from hissmark.notify.channel import Channel
from hissmark.notify.http import Target
from hissmark.notify.mail import Mail
from hissmark.notify.mqtt import MqttChannel
from hissmark.notify.notifier import Notifier, Receiver, Standing
from hissmark.notify.quiet import QuietTimes
from hissmark.notify.route import Route
from hissmark.notify.sender import Limits
from hissmark.notify.webhook import Webhook
from hissmark.publish.live import LiveState
from hissmark.site.files import file_of
from hissmark.site.load import Site
from hissmark.site.notify_settings import (
    AlertmanagerTable,
    EmailTable,
    MqttReceiverTable,
    ReceiverTable,
    WebhookTable,
)
from hissmark.store.open import open_for_reading

US = 1_000_000


def notifier_of(site: Site, writing: sa.Engine, live: LiveState) -> Notifier:
    """The notifier of a site, ready to start."""
    table = site.settings.notify
    reading = open_for_reading(site.store_url, site.folder)  # reading never takes a write lock
    limits = Limits(table.max_age_s * US, table.give_up_s * US)
    made: list[Notifier] = []  # the channels ask the notifier what stands, and it holds the channels
    receivers = [
        Receiver(route_of(row, table.time_zone), _channel(site, row, lambda: made[0].standing()), kind)
        for kind, _, row in table.receivers
    ]
    made.append(Notifier(receivers, writing, reading, live, site.name, table.page, limits))
    return made[0]


def route_of(row: ReceiverTable, zone: str) -> Route:
    """What a receiver is told of."""
    return Route(
        row.name, frozenset(row.priorities), frozenset(row.groups), frozenset(row.alarms),
        frozenset(row.events), QuietTimes.of(row.quiet, zone), frozenset(row.quiet_priorities),
        row.unacknowledged_for_s * US,
    )  # fmt: skip


def _channel(site: Site, row: ReceiverTable, standing: Standing) -> Channel:
    match row:
        case WebhookTable():
            return Webhook(_target(site, row, row.url), _file(site, row.secret_file), time.time)
        case EmailTable():
            return Mail(
                row.host, row.port, row.tls, row.username, _file(site, row.password_file),
                _file(site, row.ca_file), row.sender, row.to, row.timeout_s,
            )  # fmt: skip
        case MqttReceiverTable():
            name = f"{site.mqtt.client_id}-notify-{row.name}"
            return MqttChannel(site.mqtt, name, row.topic, row.retain, row.timeout_s)
        case AlertmanagerTable():
            url = row.url.rstrip("/") + "/api/v2/alerts"
            return Alertmanager(
                _target(site, row, url), site.name, route_of(row, site.settings.notify.time_zone),
                row.username, _file(site, row.password_file), row.resend_s, row.hold_s,
                lambda: time.time_ns() // 1000, standing,
            )  # fmt: skip
    raise TypeError(f"no way of telling for {type(row).__name__}")


def _target(site: Site, row: WebhookTable | AlertmanagerTable, url: str) -> Target:
    return Target(url, row.timeout_s, _file(site, row.ca_file))


def _file(site: Site, text: str | None) -> Path | None:
    return file_of(site.folder, text) if text else None
