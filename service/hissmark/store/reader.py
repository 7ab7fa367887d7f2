"""Questions to the store, for the API, the commands and the engine's recovery.

Every page is a transaction of its own: long readers would keep SQLite from emptying its log. The same
reader may be used by several threads.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import sqlalchemy as sa

from hissmark.alarms.journal import Alarm, AlarmState
from hissmark.decode.columns import UnknownName
from hissmark.engine.change import ChangeKind
from hissmark.store import (
    actions,
    arrivals,
    backfill,
    before,
    changes,
    history,
    journal,
    judged,
    notes,
    standing,
    turned_away,
)
from hissmark.store.arrivals import Arrival
from hissmark.store.blocks import HOUR_US, Block
from hissmark.store.calibrations import (
    Assumption,
    Calibration,
    newest_marks,
    read_assumptions,
    read_calibrations,
)
from hissmark.store.history import ChannelHistory
from hissmark.store.journal import JournalFilter
from hissmark.store.notes import ShiftNote
from hissmark.store.records import (
    ActionRow,
    ChangeRow,
    EngineState,
    JournalRow,
    Reading,
    RejectRow,
    SettingsVersion,
    StoredBlock,
    StoreSize,
    VerdictChange,
    VerdictRow,
)
from hissmark.store.sample_reader import SampleReader


class Reader(SampleReader):
    """Reads a store opened with `open_for_reading`; one opened for writing takes the write lock to read."""

    # --- history ---

    def history(
        self, group: str, channel: str, from_us: int, to_us: int, *, most_ticks: int = 600_000
    ) -> ChannelHistory:
        """One channel's ticks with from_us <= time < to_us."""
        damaged: list[str] = []
        blocks = history.decoded(self.blocks(group, from_us, to_us), damaged)
        return history.of_channel(blocks, channel, from_us, to_us, most_ticks, damaged)

    def history_parts(
        self, group: str, channel: str, from_us: int, to_us: int, *, most_ticks: int = 5000
    ) -> Iterator[ChannelHistory]:
        """The same in parts of about `most_ticks`, so that memory stays bounded however long it is."""
        next_us: int | None = from_us
        while next_us is not None:
            part = self.history(group, channel, next_us, to_us, most_ticks=most_ticks)
            yield part
            next_us = part.next_from_us

    def blocks(self, group: str, from_us: int, to_us: int) -> Iterator[StoredBlock]:
        """Encoded blocks that may hold ticks in [from_us, to_us), ascending."""
        while True:
            with self._page() as connection:
                page = history.read_blocks(connection, group, from_us, to_us)
            yield from page
            if not page:
                return
            from_us = history.after_page(page)

    def coarse_history(
        self, group: str, channel: str, from_us: int, to_us: int, every_s: int
    ) -> ChannelHistory:
        """One channel's hours (3600 s) or days (86400 s): two rows each, the lowest and the highest."""
        with self._page() as connection:
            return history.coarse_history(connection, group, channel, from_us, to_us, every_s)

    def last_ticks(self, groups: Sequence[str], at_us: int, *, back_us: int = HOUR_US) -> dict[str, Block]:
        """Of each group its last tick up to a moment, not older than `back_us`; a block of one tick each."""
        with self._page() as connection:
            return history.last_ticks(connection, list(groups), at_us, back_us)

    # --- conclusions ---

    def journal(
        self,
        wanted: JournalFilter | None = None,
        *,
        after_seq: int = 0,
        before_seq: int | None = None,
        limit: int = 100,
    ) -> list[JournalRow]:
        """One page of the alarm journal: oldest first after `after_seq`, or newest first before `before_seq`.

        The next page begins at the last row's `seq`.
        """
        with self._page() as connection:
            return journal.read(
                connection, wanted or JournalFilter(), after_seq=after_seq, before_seq=before_seq, limit=limit
            )

    def journal_by_time(
        self, wanted: JournalFilter, *, after: tuple[int, int] | None = None, limit: int = 100,
        newest_first: bool = False,
    ) -> list[JournalRow]:  # fmt: skip
        """One page of the journal in the order of event time; `after`: time and `seq` of the last row."""
        with self._page() as connection:
            return journal.by_time(connection, wanted, after=after, limit=limit, newest_first=newest_first)

    def journal_before(
        self, before_us: int, *, group: str | None = None
    ) -> list[tuple[JournalRow, JournalRow | None]]:
        """Of each alarm its last entry before a moment, and the last that put it before the operator."""
        with self._page() as connection:
            last = before.last_of_each(connection, before_us, group=group)
            shown = before.last_of_each(connection, before_us, group=group, state=AlarmState.UNACKNOWLEDGED)
        by_alarm = {(row.entry.valve, row.entry.alarm): row for row in shown}
        return [(row, by_alarm.get((row.entry.valve, row.entry.alarm))) for row in last]

    def alarms_at(self, at_us: int, *, group: str | None = None) -> list[Alarm]:
        """Every alarm that stood at a past moment (event time), as far as the journal tells."""
        with self._page() as connection:
            return standing.alarms_at(connection, at_us, group)

    def shift_notes(
        self,
        *,
        from_us: int | None = None,
        to_us: int | None = None,
        before_id: int | None = None,
        limit: int = 100,
    ) -> list[ShiftNote]:
        """Notes of the shifts, newest first."""
        with self._page() as connection:
            return notes.read_notes(
                connection, from_us=from_us, to_us=to_us, before_id=before_id, limit=limit
            )

    def calibrations(self, valve: str | None = None, until_us: int | None = None) -> list[Calibration]:
        """Measured leaks on record up to a moment, oldest first; also those that no longer count."""
        with self._page() as connection:
            return read_calibrations(connection, valve=valve, until_us=until_us)

    def worth_marks(self) -> tuple[int, int]:
        """Numbers of the newest measured leak and assumption: another pair means that something was added."""
        with self._page() as connection:
            return newest_marks(connection)

    def assumptions(self, until_us: int | None = None) -> list[Assumption]:
        """What was assumed for valuing leaks up to a moment, oldest first."""
        with self._page() as connection:
            return read_assumptions(connection, until_us)

    def verdict_changes(
        self,
        *,
        valve: str | None = None,
        from_us: int | None = None,
        to_us: int | None = None,
        after_seq: int = 0,
        before_seq: int | None = None,
        limit: int = 100,
    ) -> list[VerdictRow]:
        """One page of verdict changes, ordered and paged like the journal."""
        with self._page() as connection:
            return judged.read_verdict_changes(
                connection,
                valve=valve,
                from_us=from_us,
                to_us=to_us,
                after_seq=after_seq,
                before_seq=before_seq,
                limit=limit,
            )

    def verdict_at(self, valve: str, at_us: int) -> VerdictChange | None:
        """The verdict that stood at a moment; None if nothing is on record that far back."""
        with self._page() as connection:
            return judged.verdict_at(connection, valve, at_us)

    def verdicts_since(self, at_us: Mapping[str, int]) -> dict[str, int]:
        """Valve -> since when the verdict stood that held at its moment in `at_us`; unknown ones left out."""
        with self._page() as connection:
            return judged.verdicts_since(connection, at_us)

    def readings(self, group: str | None = None) -> list[Reading]:
        """The latest reading of one group or of all."""
        with self._page() as connection:
            return judged.read_readings(connection, group)

    def engine_state(self, shard: str = "main") -> EngineState | None:
        """The engine's state as last saved; None before the first time."""
        with self._page() as connection:
            return judged.read_engine_state(connection, shard)

    # --- in order of arrival ---

    def arrivals(self, after: int, most_samples: int) -> list[Arrival]:
        """New samples by transaction, from behind a position. Raises GoneError if some are kept no more."""
        with self._page() as connection:
            return arrivals.read(connection, after, most_samples)

    def newest_arrival(self) -> int:
        """The position of now."""
        with self._page() as connection:
            return arrivals.newest(connection)

    # --- what came after its time ---

    def backfill_marks(self) -> list[backfill.Mark]:
        """Groups that are to be judged again, the oldest first."""
        with self._page() as connection:
            return backfill.read_marks(connection)

    def backfills(self, *, after_id: int = 0, limit: int = 100) -> list[backfill.Backfill]:
        """What was judged again, oldest first: levels and verdicts of that time may differ from what was
        read.
        """
        with self._page() as connection:
            return backfill.read_backfills(connection, after_id, limit)

    def newest_checkpoint_us(self) -> int | None:
        """When the engine's state was last kept for judging again."""
        with self._page() as connection:
            return backfill.newest_checkpoint_us(connection)

    def checkpoints(self, group: str, before_us: int) -> Iterator[backfill.Checkpoint]:
        """Kept states that hold for a group whose last tick was not after `before_us`, newest first."""
        with self._page() as connection:
            usable = backfill.usable_checkpoints(connection, group)
        for saved_us, ticks in usable:
            tick_us = json.loads(ticks).get(group)
            if tick_us is None or tick_us > before_us:
                continue
            try:
                with self._page() as connection:
                    payload = backfill.read_checkpoint(connection, saved_us)
            except ValueError:
                continue  # damaged: an older one does, it only takes longer
            yield backfill.Checkpoint(saved_us, ticks, payload)

    # --- what came from outside ---

    def unknown_names(self, *, after_name: str = "", limit: int = 1000) -> list[UnknownName]:
        """Names that arrive but are not in the register, by name."""
        with self._page() as connection:
            return turned_away.read_unknown(connection, after_name, limit)

    def rejects(self, *, before_seq: int | None = None, limit: int = 100) -> list[RejectRow]:
        """The reject log, newest first."""
        with self._page() as connection:
            return turned_away.read_rejects(connection, before_seq, limit)

    def action(self, action_id: int) -> ActionRow | None:
        """An operator's action and its outcome."""
        with self._page() as connection:
            return actions.read(connection, action_id)

    def pending_actions(self, limit: int = 1000) -> list[ActionRow | ChangeRow]:
        """Actions and changes without an outcome, oldest first. Quick, and never waits for a writer."""
        with self._page() as connection:
            return actions.pending(connection, limit)

    def actions(self, *, before_id: int | None = None, limit: int = 100) -> list[ActionRow]:
        """Operator actions, newest first."""
        with self._page() as connection:
            return actions.read_page(connection, before_id, limit)

    def change(self, change_id: int) -> ChangeRow | None:
        """A change to the computation and its outcome."""
        with self._page() as connection:
            return changes.read_change(connection, change_id)

    def changes(
        self,
        *,
        kind: ChangeKind | None = None,
        subject: str | None = None,
        after_id: int = 0,
        before_id: int | None = None,
        limit: int = 100,
    ) -> list[ChangeRow]:
        """Changes to the computation: oldest first after `after_id`, or newest first before `before_id`."""
        with self._page() as connection:
            return changes.read_changes(
                connection, kind=kind, subject=subject, after_id=after_id, before_id=before_id, limit=limit
            )

    def changes_after(self, change_id: int, page_rows: int = 500) -> Iterator[ChangeRow]:
        """Every change with a higher number, oldest first."""
        while True:
            page = self.changes(after_id=change_id, limit=page_rows)
            yield from page
            if len(page) < page_rows:
                return
            change_id = page[-1].id

    # --- the store itself ---

    def settings_versions(self, *, before_id: int | None = None, limit: int = 20) -> list[SettingsVersion]:
        """Settings and registers that judged, newest first."""
        with self._page() as connection:
            return judged.read_settings_versions(connection, before_id, limit)

    def meta(self, key: str) -> str | None:
        """A value that the service keeps for itself."""
        with self._page() as connection:
            return judged.read_meta(connection, key)

    def size(self) -> StoreSize:
        """Bytes on disk."""
        if self.engine.dialect.name == "sqlite":
            path = Path(str(self.engine.url.database))
            return StoreSize(_bytes(path), _bytes(path.with_name(path.name + "-wal")))
        with self._page() as connection:
            found = connection.scalar(sa.select(sa.func.pg_database_size(sa.func.current_database())))
        return StoreSize(int(found or 0), 0)


def _bytes(path: Path) -> int:
    try:
        return path.stat().st_size
    except FileNotFoundError:
        return 0
