"""Alarm conditions as objects of the address space, for clients that look there for states and methods."""

from __future__ import annotations

from typing import Any

from asyncua import Server, ua
from asyncua.common.events import Event
from asyncua.common.node import Node

from hissmark.opcua.events import FIELDS

_O = ua.ObjectIds
_TWO_STATE, _CONDITION = _O.TwoStateVariableType, _O.ConditionVariableType
_TYPES = {
    **dict.fromkeys(
        ("EnabledState", "AckedState", "ActiveState", "SuppressedState", "OutOfServiceState"), _TWO_STATE
    ),
    **dict.fromkeys(("Quality", "LastSeverity", "Comment"), _CONDITION),
    "CurrentState": _O.FiniteStateVariableType,
}
"""Type of the variables that are more than properties."""
_DATA_TYPES = {"Time": _O.UtcTime, "ReceiveTime": _O.UtcTime, "SourceTimestamp": _O.UtcTime,
               "TransitionTime": _O.UtcTime, "UnshelveTime": _O.Duration,
               "MaxTimeShelved": _O.Duration}  # fmt: skip
METHODS = (
    _O.ConditionType_Enable, _O.ConditionType_Disable, _O.ConditionType_AddComment,
    _O.AcknowledgeableConditionType_Acknowledge, _O.AlarmConditionType_RemoveFromService,
    _O.AlarmConditionType_RemoveFromService2, _O.AlarmConditionType_PlaceInService,
    _O.AlarmConditionType_PlaceInService2,
)  # fmt: skip
"""An instance has the method nodes of its type: one node serves all alarms."""
SHELVING_METHODS = (
    _O.ShelvedStateMachineType_TimedShelve, _O.ShelvedStateMachineType_TimedShelve2,
    _O.ShelvedStateMachineType_OneShotShelve, _O.ShelvedStateMachineType_OneShotShelve2,
    _O.ShelvedStateMachineType_Unshelve, _O.ShelvedStateMachineType_Unshelve2,
)  # fmt: skip


class ConditionNodes:
    """Makes the object of a condition when it is first needed, and writes what its last event said."""

    def __init__(self, server: Server, index: int) -> None:
        self._server, self._index = server, index
        self._made: set[ua.NodeId] = set()

    async def show(self, source: Node, condition: ua.NodeId, event: Event) -> None:
        """What an event said of a condition of `source`."""
        if condition not in self._made:
            self._made.add(condition)
            await self._make(source, condition, str(event.ConditionName))
        for path in FIELDS:
            if path != "NodeId":
                await self.write(condition, path, getattr(event, path))

    async def write(self, condition: ua.NodeId, path: str, value: Any) -> None:
        """One part of a condition that changes without an event."""
        await self._server.write_attribute_value(
            child(condition, path), ua.DataValue(ua.Variant(value, FIELDS[path]))
        )

    async def _make(self, source: Node, condition: ua.NodeId, name: str) -> None:
        qualified = ua.QualifiedName(name, self._index)
        machine = child(condition, "ShelvingState")
        items = [
            _object(source.nodeid, condition, qualified, _O.AlarmConditionType),
            _object(condition, machine, ua.QualifiedName("ShelvingState", 0), _O.ShelvedStateMachineType),
            *(_variable(condition, path, kind) for path, kind in FIELDS.items() if path != "NodeId"),
        ]
        for result in await self._server.iserver.isession.add_nodes(items):
            result.StatusCode.check()
        await source.add_reference(condition, _O.HasCondition)
        for parent, methods in ((condition, METHODS), (machine, SHELVING_METHODS)):
            node = self._server.get_node(parent)
            for method in methods:
                await node.add_reference(ua.NodeId(method), _O.HasComponent, True, False)


def child(condition: ua.NodeId, path: str) -> ua.NodeId:
    """Id of a part of a condition, by its browse path."""
    return ua.NodeId(f"{condition.Identifier}/{path}", condition.NamespaceIndex)


def _object(parent: ua.NodeId, ident: ua.NodeId, name: ua.QualifiedName, kind: int) -> Any:
    attributes = ua.ObjectAttributes()
    attributes.DisplayName, attributes.EventNotifier = ua.LocalizedText(name.Name), 0
    return _item(parent, ident, name, ua.NodeClass.Object, kind, _O.HasComponent, attributes)


def _variable(condition: ua.NodeId, path: str, kind: ua.VariantType) -> Any:
    above, _, name = path.rpartition("/")
    definition = _TYPES.get(name, _O.PropertyType)
    attributes = ua.VariableAttributes()
    attributes.DisplayName = ua.LocalizedText(name)
    attributes.DataType = ua.NodeId(_DATA_TYPES.get(name, kind.value))
    attributes.ValueRank, attributes.ArrayDimensions = ua.ValueRank.Scalar, None
    attributes.AccessLevel = attributes.UserAccessLevel = ua.AccessLevel.CurrentRead.mask
    reference = _O.HasProperty if definition == _O.PropertyType else _O.HasComponent
    parent = child(condition, above) if above else condition
    qualified = ua.QualifiedName(name, 0)
    return _item(
        parent, child(condition, path), qualified, ua.NodeClass.Variable, definition, reference, attributes
    )


def _item(
    parent: ua.NodeId, ident: ua.NodeId, name: ua.QualifiedName, of: ua.NodeClass, definition: int,
    reference: int, attributes: Any,
) -> Any:  # fmt: skip
    item = ua.AddNodesItem()
    item.ParentNodeId, item.RequestedNewNodeId, item.BrowseName = parent, ident, name
    item.NodeClass, item.TypeDefinition = of, ua.NodeId(definition)
    item.ReferenceTypeId, item.NodeAttributes = ua.NodeId(reference), attributes
    return item
