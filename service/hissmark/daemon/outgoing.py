"""What is published over MQTT, where the settings ask for it."""

from __future__ import annotations

from hissmark.outgoing.missed import Missed
from hissmark.outgoing.node import EdgeNode
from hissmark.outgoing.plain import Plain
from hissmark.outgoing.primary import PrimaryHost
from hissmark.outgoing.publisher import Publisher
from hissmark.publish.live import LiveState
from hissmark.site.load import Site
from hissmark.store.reader import Reader


def publishers_of(site: Site, live: LiveState, reader: Reader) -> list[Publisher]:
    """The publishers, not started yet: none unless enabled; one more to be a Sparkplug edge node."""
    asked = site.settings.publish
    if not asked.enabled:
        return []
    found = []
    if asked.valves or asked.senml:
        plain = Plain(asked.prefix, live, valves=asked.valves, senml=asked.senml)
        found.append(Publisher(site.mqtt, plain))
    if asked.sparkplug:
        found.append(Publisher(site.mqtt, _edge_node(site, live, reader)))
    return found


def _edge_node(site: Site, live: LiveState, reader: Reader) -> EdgeNode:
    asked = site.settings.publish
    group, _, node = asked.sparkplug.partition("/")
    if not asked.sparkplug_primary_host:
        return EdgeNode((group, node), live)
    missed = Missed(reader, site.folder / "data" / "sparkplug-told.json")
    return EdgeNode((group, node), live, PrimaryHost(asked.sparkplug_primary_host), missed)
