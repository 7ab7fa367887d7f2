"""Requests to forget what was learned of a group's losses: asked for by any process, done by the service.

Both the request and its settling are rows of `meta`; the service settles one in the transaction that saves
the engine's state without what was learned, so that neither can be lost without the other.
"""

from __future__ import annotations

import json
from dataclasses import dataclass

import sqlalchemy as sa

from hissmark.store.dialects import cleaned
from hissmark.store.errors import in_words
from hissmark.store.judged import put_meta
from hissmark.store.open import place_of
from hissmark.store.schema import meta

_ASKED, _DONE = "losses-reset asked ", "losses-reset done "


@dataclass(frozen=True, slots=True)
class LossReset:
    """Who wanted a group's learned losses forgotten, when and why; `applied_us` once it is done."""

    group: str
    operator: str
    comment: str
    asked_us: int
    applied_us: int | None = None

    @property
    def _key(self) -> str:
        return f"{self.asked_us:016d} {self.group}"


def ask_reset(engine: sa.Engine, request: LossReset) -> None:
    """Put a request on record in a transaction of its own. `engine` as for `actions.record_action`."""
    with in_words(place_of(engine.url)), engine.begin() as connection:
        put_meta(connection, _ASKED + request._key, _text(request))


def read_resets(connection: sa.Connection, group: str | None = None) -> list[LossReset]:
    """Every request, of one group or of all, oldest first."""
    rows = [_reset(value) for value in _values(connection, _ASKED) + _values(connection, _DONE)]
    return sorted((r for r in rows if group in (None, r.group)), key=lambda r: r.asked_us)


def pending_resets(connection: sa.Connection) -> list[LossReset]:
    """Requests that wait, oldest first. Quick."""
    return [_reset(value) for value in _values(connection, _ASKED)]


def settle_reset(connection: sa.Connection, request: LossReset, now_us: int) -> None:
    """Write down that it is done."""
    done = LossReset(request.group, request.operator, request.comment, request.asked_us, now_us)
    connection.execute(sa.delete(meta).where(meta.c.key == _ASKED + request._key))
    put_meta(connection, _DONE + request._key, _text(done))


def _values(connection: sa.Connection, start: str) -> list[str]:
    query = sa.select(meta.c.key, meta.c.value).where(meta.c.key.startswith(start))
    return [str(value) for _, value in sorted(tuple(row) for row in connection.execute(query))]


def _text(request: LossReset) -> str:
    return json.dumps(
        {
            "group": cleaned(request.group),
            "operator": cleaned(request.operator),
            "comment": cleaned(request.comment),
            "asked_us": request.asked_us,
            "applied_us": request.applied_us,
        }
    )


def _reset(text: str) -> LossReset:
    return LossReset(**json.loads(text))
