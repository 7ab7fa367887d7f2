"""What the web side needs from the service."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from fastapi import Depends, Request

from hissmark.publish.live import LiveState
from hissmark.publish.metrics import Metrics
from hissmark.store.reader import Reader
from hissmark.store.records import ActionRequest


@dataclass(frozen=True, slots=True)
class ActionOutcome:
    """What became of an operator's action.

    Attributes:
        applied: whether the alarm's state changed.
        message: what happened or why not, in one sentence for the operator.
        action_id: its number on record; 0 if it was refused before being recorded.
        at_us: event time after which it took effect, None if it did not.
    """

    applied: bool
    message: str
    action_id: int = 0
    at_us: int | None = None


Act = Callable[[ActionRequest], ActionOutcome]
"""Carries out an action; returns once it is durable and applied (or refused). May raise TimeoutError."""


@dataclass(frozen=True, slots=True)
class WebContext:
    """Everything the web side reads from, and the one thing it can do.

    Attributes:
        act: called in a thread of the web server, never in its event loop.
        settings: the site's settings as shown to people, without secrets.
        demo: whether this is the demo's invented plant.
        no_data_s: /health/ready fails when no sample was heard for this long (seconds); a site whose
            sensors report more rarely is allowed three of its shortest intervals.
    """

    live: LiveState
    reader: Reader
    act: Act
    metrics: Metrics
    site_name: str
    settings: Callable[[], Mapping[str, Any]] = field(default=dict)
    demo: bool = False
    no_data_s: float = 300.0


def _context(request: Request) -> WebContext:
    context: WebContext = request.app.state.context
    return context


Context = Annotated[WebContext, Depends(_context)]
