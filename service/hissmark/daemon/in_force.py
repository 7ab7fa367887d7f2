"""Settings, register and subscriptions that are in force, shown and put on record."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any

import msgspec
import sqlalchemy as sa

from hissmark.daemon.clock import Clock, offset_us
from hissmark.engine.register import Register
from hissmark.site.load import Site
from hissmark.store.reader import Reader
from hissmark.store.records import CLOCK_OFFSET
from hissmark.store.writer import Writer

FILTERS = "mqtt.filters"
SESSION = "mqtt.session"


class InForce:
    """What a site runs with."""

    def __init__(self, site: Site, store: sa.Engine) -> None:
        self._site, self._store = site, store

    def shown(self) -> Mapping[str, Any]:
        """The settings, without secrets (password files are named, not read)."""
        shown = self._site.settings.model_dump(mode="json")
        store = shown.get("store")
        if isinstance(store, dict):
            store["url"] = self._store.url.render_as_string(hide_password=True)
        return shown

    def with_register(self, register: Register) -> str:
        """Settings and a register as one text, for the record."""
        channels = [msgspec.to_builtins(c) for c in register.channels]
        return json.dumps({"settings": self.shown(), "register": channels}, sort_keys=True)

    def note(self, writer: Writer, register: Register, clock: Clock) -> None:
        """Put them on record, what is subscribed to from now on, and by which clock the service goes."""
        with writer.transaction() as tx:
            tx.settings_version(self.with_register(register))
            tx.meta(FILTERS, json.dumps(list(self._site.mqtt.filters)))
            tx.meta(SESSION, _session(self._site))
            tx.meta(CLOCK_OFFSET, str(offset_us(clock)))


def previous_filters(reader: Reader) -> list[str]:
    """What was subscribed to before: the broker still holds it for us."""
    text = reader.meta(FILTERS)
    return list(json.loads(text)) if text else []


def expects_session(reader: Reader, site: Site) -> bool:
    """Whether the broker should know us from an earlier run: if it does not, what it held for us is lost."""
    return reader.meta(SESSION) == _session(site) and reader.sample_extent() is not None


def _session(site: Site) -> str:
    mqtt = site.mqtt
    return json.dumps([mqtt.host, mqtt.port, mqtt.client_id])
