"""What the engine concludes and keeps: verdict changes, latest readings, its state, settings versions."""

from __future__ import annotations

import dataclasses
import hashlib
from collections.abc import Mapping

import sqlalchemy as sa

from hissmark.store.dialects import number, upsert
from hissmark.store.records import EngineState, Reading, SettingsVersion, VerdictChange, VerdictRow
from hissmark.store.schema import engine_state, meta, readings, settings_versions, verdict_changes
from hissmark.store.tables_archive import legal_holds

_FEW_VALVES = 500
_NUMBERS = ("rise_db", "margin_db", "level_db", "baseline_db")


def add_verdict_changes(connection: sa.Connection, changes: list[VerdictChange], limit: int) -> None:
    """Append; one on record for (valve, time) stays. Drops what is over `limit` rows old, unless held."""
    if not changes:
        return
    values = [dataclasses.asdict(change) for change in changes[-limit:]]
    for row in values:
        row.update({name: number(row[name]) for name in _NUMBERS})
    statement = upsert(connection, verdict_changes).on_conflict_do_nothing(index_elements=["valve", "at_us"])
    connection.execute(statement, values)
    newest = sa.select(sa.func.max(verdict_changes.c.seq)).scalar_subquery()
    connection.execute(sa.delete(verdict_changes).where(verdict_changes.c.seq <= newest - limit, ~_held()))


def _held() -> sa.Exists:
    """Whether a legal hold stands on a change of a verdict."""
    hold, change = legal_holds.c, verdict_changes.c
    return sa.exists().where(
        hold.released_us.is_(None),
        sa.or_(hold.valve.is_(None), hold.valve == change.valve),
        hold.from_us <= change.at_us,
        hold.to_us > change.at_us,
    )


def read_verdict_changes(
    connection: sa.Connection,
    *,
    valve: str | None,
    from_us: int | None,
    to_us: int | None,
    after_seq: int,
    before_seq: int | None,
    limit: int,
) -> list[VerdictRow]:
    """One page. Oldest first from `after_seq`; newest first if `before_seq` is given."""
    c = verdict_changes.c
    query = sa.select(verdict_changes).where(c.seq > after_seq).limit(limit)
    if valve is not None:
        query = query.where(c.valve == valve)
    if from_us is not None:
        query = query.where(c.at_us >= from_us)
    if to_us is not None:
        query = query.where(c.at_us < to_us)
    if before_seq is None:
        query = query.order_by(c.seq)
    else:
        query = query.where(c.seq < before_seq).order_by(c.seq.desc())
    return [VerdictRow(row[0], VerdictChange(*row[1:])) for row in connection.execute(query)]


def verdict_at(connection: sa.Connection, valve: str, at_us: int) -> VerdictChange | None:
    """The verdict that stood at a moment: the last change at or before it."""
    c = verdict_changes.c
    query = sa.select(verdict_changes).where(c.valve == valve, c.at_us <= at_us)
    row = connection.execute(query.order_by(c.at_us.desc()).limit(1)).one_or_none()
    return None if row is None else VerdictChange(*row[1:])


def verdicts_since(connection: sa.Connection, at_us: Mapping[str, int]) -> dict[str, int]:
    """Valve -> time of its last change at or before its moment. One query, and one more for each valve
    that has changed between its moment and the latest of them.
    """
    if not at_us:
        return {}
    c = verdict_changes.c
    query = sa.select(c.valve, sa.func.max(c.at_us)).where(c.at_us <= max(at_us.values())).group_by(c.valve)
    if len(at_us) <= _FEW_VALVES:
        query = query.where(c.valve.in_(list(at_us)))
    found: dict[str, int] = {}
    for valve, changed_us in connection.execute(query).all():
        if valve in at_us and changed_us > at_us[valve]:
            before = verdict_at(connection, valve, at_us[valve])
            changed_us = before.at_us if before else None
        if valve in at_us and changed_us is not None:
            found[valve] = changed_us
    return found


def put_readings(connection: sa.Connection, arrived: list[Reading]) -> None:
    """Replace the reading of each group."""
    if not arrived:
        return
    statement = upsert(connection, readings)
    statement = statement.on_conflict_do_update(
        index_elements=["group_name"],
        set_={"at_us": statement.excluded.at_us, "payload": statement.excluded.payload},
    )
    values = [{"group_name": r.group, "at_us": r.at_us, "payload": r.payload} for r in arrived]
    connection.execute(statement, values)


def read_readings(connection: sa.Connection, group: str | None) -> list[Reading]:
    """The latest reading of one group or of all."""
    query = sa.select(readings).order_by(readings.c.group_name)
    if group is not None:
        query = query.where(readings.c.group_name == group)
    return [Reading(*row) for row in connection.execute(query)]


def put_engine_state(
    connection: sa.Connection, shard: str, saved_us: int, version: int, payload: bytes
) -> None:
    """Replace the engine's state."""
    values = {"saved_us": saved_us, "version": version, "payload": payload}
    statement = upsert(connection, engine_state).values(shard=shard, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["shard"], set_=values))


def read_engine_state(connection: sa.Connection, shard: str) -> EngineState | None:
    """The engine's state as last saved, None before the first time."""
    row = connection.execute(sa.select(engine_state).where(engine_state.c.shard == shard)).one_or_none()
    return None if row is None else EngineState(*row[1:])


def add_settings_version(connection: sa.Connection, now_us: int, payload: str) -> int:
    """Record settings if they differ from the last version; returns the id of the one that holds."""
    digest = hashlib.sha256(payload.encode()).hexdigest()
    c = settings_versions.c
    last = connection.execute(sa.select(c.id, c.digest).order_by(c.id.desc()).limit(1)).one_or_none()
    if last is not None and last.digest == digest:
        return int(last.id)
    statement = sa.insert(settings_versions).returning(c.id)
    row = {"recorded_us": now_us, "digest": digest, "payload": payload}
    return int(connection.execute(statement, row).scalar_one())


def read_settings_versions(
    connection: sa.Connection, before_id: int | None, limit: int
) -> list[SettingsVersion]:
    """Newest first."""
    query = sa.select(settings_versions).order_by(settings_versions.c.id.desc()).limit(limit)
    if before_id is not None:
        query = query.where(settings_versions.c.id < before_id)
    return [SettingsVersion(*row) for row in connection.execute(query)]


def put_meta(connection: sa.Connection, key: str, value: str) -> None:
    """Set a value."""
    statement = upsert(connection, meta).values(key=key, value=value)
    connection.execute(statement.on_conflict_do_update(index_elements=["key"], set_={"value": value}))


def read_meta(connection: sa.Connection, key: str) -> str | None:
    """Read a value, None if it was never set."""
    found = connection.scalar(sa.select(meta.c.value).where(meta.c.key == key))
    return None if found is None else str(found)
