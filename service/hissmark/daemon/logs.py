"""Structured logs, as JSON for machines or lines for people; what libraries log goes the same way."""

from __future__ import annotations

import logging
import sys

import structlog
from structlog.typing import Processor

_QUIET = ("apscheduler",)
"""Libraries that tell us by other ways what they also log."""


def set_up(form: str, level: str) -> None:
    """Configure logging for the whole process. `form`: json or console.

    `level` is that of our own log. Libraries are heard from warnings on, whatever it is: at debug level some
    of them write what is not theirs to tell.
    """
    console = structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    render: Processor = structlog.processors.JSONRenderer() if form == "json" else console
    shared: list[Processor] = [
        structlog.processors.add_log_level,
        structlog.processors.TimeStamper(fmt="iso", utc=True),
        structlog.processors.StackInfoRenderer(),
    ]
    structlog.configure(
        processors=[*shared, structlog.processors.format_exc_info, render],
        wrapper_class=structlog.make_filtering_bound_logger(logging.getLevelName(level.upper())),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )
    _libraries(shared, render)


def _libraries(shared: list[Processor], render: Processor) -> None:
    """What comes through the standard library's logging."""
    handler = logging.StreamHandler(sys.stderr)
    form = structlog.stdlib.ProcessorFormatter
    handler.setFormatter(
        form(
            foreign_pre_chain=[*shared, structlog.stdlib.add_logger_name],
            processors=[form.remove_processors_meta, structlog.processors.format_exc_info, render],
        )
    )
    root = logging.getLogger()
    root.handlers = [handler]
    root.setLevel(logging.WARNING)
    for name in _QUIET:
        logging.getLogger(name).setLevel(logging.CRITICAL)
