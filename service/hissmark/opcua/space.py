"""The address space: a folder for the site, an object for each group, valve and reference point."""

from __future__ import annotations

from dataclasses import dataclass, field

from asyncua import Server, ua
from asyncua.common.node import Node

from hissmark.engine.layout import Layout
from hissmark.engine.register import Channel
from hissmark.opcua.events import Where
from hissmark.opcua.values import KINDS, RISE, Kind

LISTEN = [ua.EventNotifier.SubscribeToEvents, ua.EventNotifier.HistoryRead]
"""What may be asked of the objects that alarms are heard at."""
HISTORY_BITS = ua.AccessLevel.CurrentRead.mask | ua.AccessLevel.HistoryRead.mask


@dataclass(slots=True)
class Space:
    """What stands where.

    Attributes:
        index: of our namespace. subjects: valve tag or channel -> its object.
        group_of: valve tag or channel -> the object of its group. inputs: -> the variable of its rise.
        heard: object -> valve or channel, and group, whose alarms are heard there; None for all.
        channels: id of a variable with history -> (group, channel, attribute of the history).
    """

    index: int
    site: Node
    subjects: dict[str, Node] = field(default_factory=dict)
    group_of: dict[str, ua.NodeId] = field(default_factory=dict)
    inputs: dict[str, ua.NodeId] = field(default_factory=dict)
    heard: dict[ua.NodeId, tuple[str | None, str | None]] = field(default_factory=dict)
    channels: dict[ua.NodeId, tuple[str, str, str]] = field(default_factory=dict)

    def variable(self, channel: str, kind: Kind) -> ua.NodeId:
        return ua.NodeId(f"channel/{channel}/{kind.name}", self.index)

    def where(self, subject: str, alarm: str) -> Where:
        """Where an alarm of a valve or reference point stands."""
        condition = ua.NodeId(f"alarm/{subject}/{alarm}", self.index)
        return Where(condition, self.subjects[subject].nodeid, subject, self.inputs[subject])


async def build(server: Server, index: int, site: str, layout: Layout) -> Space:
    """Lay out the register. Ids are made of names, so they stay the same over restarts and edits."""
    folder = await server.nodes.objects.add_folder(ua.NodeId("site", index), ua.QualifiedName(site, index))
    space = Space(index, folder)
    for node in (folder, server.nodes.server):
        await node.set_event_notifier(LISTEN)
        space.heard[node.nodeid] = (None, None)
    await server.nodes.server.add_reference(folder, ua.ObjectIds.HasNotifier)
    for name, members in layout.register.groups.items():
        group = await folder.add_object(ua.NodeId(f"group/{name}", index), ua.QualifiedName(name, index))
        await group.set_event_notifier(LISTEN)
        await folder.add_reference(group, ua.ObjectIds.HasNotifier)
        space.heard[group.nodeid] = (None, name)
        for channel in members:
            await _add_channel(space, group, channel)
    return space


async def _add_channel(space: Space, group: Node, channel: Channel) -> None:
    name, index = channel.subject, space.index
    node = await group.add_object(ua.NodeId(f"subject/{name}", index), ua.QualifiedName(name, index))
    await node.set_event_notifier(LISTEN)
    await group.add_reference(node, ua.ObjectIds.HasEventSource)
    space.subjects[name], space.group_of[name] = node, group.nodeid
    space.inputs[name] = space.variable(channel.name, RISE)
    space.heard[node.nodeid] = (name, None)
    for key, text in (("Channel", channel.name), ("Kind", channel.kind), ("Service", channel.service)):
        await node.add_property(ua.NodeId(f"{key}/{channel.name}", space.index), f"{space.index}:{key}", text)
    for kind in KINDS:
        await _add_variable(space, node, channel, kind)


async def _add_variable(space: Space, node: Node, channel: Channel, kind: Kind) -> None:
    ident = space.variable(channel.name, kind)
    first = "" if kind.type == ua.VariantType.String else 0.0
    made = await node.add_variable(ident, ua.QualifiedName(kind.name, space.index), first, kind.type)
    await made.write_attribute(
        ua.AttributeIds.Description, ua.DataValue(ua.Variant(ua.LocalizedText(kind.description)))
    )
    if kind.unit is not None:
        unit_id = ua.NodeId(f"{kind.name}/unit/{channel.name}", space.index)
        await made.add_property(unit_id, "0:EngineeringUnits", kind.unit)
    if kind.history is not None:
        space.channels[ident] = (channel.group, channel.name, kind.history)
        for attribute, value in (
            (ua.AttributeIds.AccessLevel, ua.Variant(HISTORY_BITS, ua.VariantType.Byte)),
            (ua.AttributeIds.UserAccessLevel, ua.Variant(HISTORY_BITS, ua.VariantType.Byte)),
            (ua.AttributeIds.Historizing, ua.Variant(True, ua.VariantType.Boolean)),
        ):
            await made.write_attribute(attribute, ua.DataValue(value))
