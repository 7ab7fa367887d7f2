"""What is published over MQTT, where the settings ask for it."""

from __future__ import annotations

from hissmark.outgoing.publisher import Options, Publisher
from hissmark.publish.live import LiveState
from hissmark.site.load import Site


def publishers_of(site: Site, live: LiveState) -> list[Publisher]:
    """The publishers, not started yet: none unless enabled; one more to be a Sparkplug edge node."""
    asked = site.settings.publish
    if not asked.enabled:
        return []
    plain = Options(asked.prefix, asked.valves, asked.senml, None)
    found = [Publisher(site.mqtt, plain, live)] if asked.valves or asked.senml else []
    if asked.sparkplug:
        group, _, node = asked.sparkplug.partition("/")
        found.append(Publisher(site.mqtt, Options(asked.prefix, False, False, (group, node)), live))
    return found
