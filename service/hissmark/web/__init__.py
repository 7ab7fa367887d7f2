"""The HTTP side: API, events, metrics, health and the pages, all read from live state and store."""

from hissmark.web.app import create_app
from hissmark.web.context import ActionOutcome, WebContext

__all__ = ["ActionOutcome", "WebContext", "create_app"]
