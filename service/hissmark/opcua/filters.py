"""Event filters as OPC 10000-4 (7.7) wants them, where the library falls short.

It compares `OfType` with the very type only, whereas subtypes count too: a client that asks for conditions
would hear of no alarm. And it looks at the first step of a browse path only, so that `AckedState/Id` meant
`AckedState`.
"""

from __future__ import annotations

from typing import Any

from asyncua import ua
from asyncua.server import monitored_item_service
from asyncua.server.monitored_item_service import WhereClauseEvaluator

_O = ua.ObjectIds
_LINE = (_O.BaseEventType, _O.ConditionType, _O.AcknowledgeableConditionType, _O.AlarmConditionType)
OURS = frozenset(ua.NodeId(number) for number in _LINE)
"""The type of our alarms with all it descends from."""
_REFRESH = frozenset({ua.NodeId(_O.RefreshStartEventType), ua.NodeId(_O.RefreshEndEventType)})


class Filter(WhereClauseEvaluator):  # type: ignore[misc]
    """Whether a client wants an event."""

    def eval(self, event: Any) -> bool:
        """The marks of a refresh are not subject to filters (OPC 10000-9, 5.11.2)."""
        return event.EventType in _REFRESH or bool(super().eval(event))

    def _eval_el(self, index: int, event: Any) -> Any:
        element = self.elements[index]
        if element.FilterOperator == ua.FilterOperator.OfType:
            wanted = self._eval_op(element.FilterOperands[0], event)
            return event.EventType == wanted or (event.EventType in OURS and wanted in OURS)
        return super()._eval_el(index, event)

    def _eval_op(self, op: Any, event: Any) -> Any:
        if isinstance(op, ua.SimpleAttributeOperand) and op.BrowsePath:
            return getattr(event, "/".join(step.Name for step in op.BrowsePath), None)
        return super()._eval_op(op, event)


def install() -> None:
    """Let the library use it for subscriptions."""
    monitored_item_service.WhereClauseEvaluator = Filter
