"""Messages with SenML packs to columns."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial

import numpy as np

from hissmark.decode import senml
from hissmark.decode.columns import RejectReason
from hissmark.decode.limits import Limits
from hissmark.decode.loose import PayloadError
from hissmark.decode.message import Message
from hissmark.decode.names import is_senml_name
from hissmark.decode.plain_packs import Plain, plain
from hissmark.decode.raw import Names, Raw
from hissmark.decode.rejects import Turned
from hissmark.decode.times import seconds_us
from hissmark.decode.units import UnitRule

RELATIVE_BELOW_US = senml.RELATIVE_BELOW_S * 1_000_000


class SenmlReader:
    """Reads all messages of SenML sources of one call."""

    def __init__(self, limits: Limits, units: UnitRule) -> None:
        self._limits = limits
        self._units = units

    def read(self, messages: Sequence[Message], at: Sequence[int], names: Names, turned: Turned) -> Raw:
        """Decode and resolve the messages numbered `at`; what cannot be used goes to `turned`."""
        found = senml.read_packs([messages[i].payload for i in at])
        if found is not None:
            columns = plain(*found, partial(self._fits, names), self._limits.max_records)
            if columns is not None:
                return _plain_columns(messages, at, columns, names)
        entries: list[senml.Entry] = []
        counts: list[int] = []
        packs = None if found is None else found[0]
        for position, i in enumerate(at):
            before = len(entries)
            try:
                pack: Sequence[senml.Record | senml.Problem] = (
                    senml.read_pack(messages[i].payload) if packs is None else packs[position]
                )
                entries += self._entries(i, pack, names, turned)
            except PayloadError as error:
                turned.add(i, error.reason, error.detail)
            counts.append(len(entries) - before)
        return _columns(messages, at, entries, counts, names)

    def _fits(self, names: Names, name: str, unit: str | None) -> bool:
        """Whether nothing keeps values of this name and unit from being used, as `_problem` says it."""
        usable = name in names.known or is_senml_name(name)
        return usable and (unit is None or self._units.fits(name, unit))

    def _entries(
        self, i: int, pack: Sequence[senml.Record | senml.Problem], names: Names, turned: Turned
    ) -> list[senml.Entry]:
        if not pack:
            turned.add(i, RejectReason.EMPTY, "SenML pack without records")
        if len(pack) > self._limits.max_records:
            raise PayloadError(
                RejectReason.TOO_MANY_RECORDS,
                f"{len(pack)} records in one pack; at most {self._limits.max_records} are read",
            )
        usable: list[senml.Entry] = []
        entries = senml.resolve(pack)
        if pack and not entries:
            turned.add(i, RejectReason.EMPTY, "SenML pack that only sets base fields")
        for entry in entries:
            problem = self._problem(entry, names)
            if problem is None:
                usable.append(entry)  # type: ignore[arg-type] # an Entry, or there would be a problem
            else:
                turned.add(i, problem.reason, problem.detail)
        return usable

    def _problem(self, entry: senml.Entry | senml.Problem, names: Names) -> senml.Problem | None:
        """What keeps an entry from being used; None if nothing does."""
        if isinstance(entry, senml.Problem):
            return entry
        known = entry.name in names.known
        if not known and not is_senml_name(entry.name):
            return senml.Problem(
                RejectReason.BAD_NAME,
                f"{entry.name[:80]!r}: SenML names hold A-Z a-z 0-9 - : . / _ and begin alphanumeric",
            )
        if entry.value is None:
            return senml.missing_value(entry.record)
        if entry.unit is not None and not self._units.fits(entry.name, entry.unit):
            return senml.Problem(RejectReason.BAD_UNIT, self._units.detail(entry.name, entry.unit))
        return None


def _plain_columns(messages: Sequence[Message], at: Sequence[int], found: Plain, names: Names) -> Raw:
    """The same of packs that were read as a whole."""
    received_us = np.array([messages[i].received_us for i in at], np.int64)
    time_us = seconds_us(found.base_s) + seconds_us(found.offset_s)
    relative = time_us < RELATIVE_BELOW_US
    if relative.any():
        time_us = np.where(relative, np.repeat(received_us, found.counts) + time_us, time_us)
    series = names.column(found.names)
    return Raw(
        np.repeat(np.array(at, np.int64), found.counts),
        np.repeat(series, found.counts) if found.shared else series,
        time_us,
        found.value,
        relative,
    )


def _columns(
    messages: Sequence[Message],
    at: Sequence[int],
    entries: list[senml.Entry],
    counts: list[int],
    names: Names,
) -> Raw:
    """Columns of the usable entries; `counts` says how many belong to each message of `at`."""
    message = np.repeat(np.array(at, np.int64), counts)
    received_us = np.repeat(np.array([messages[i].received_us for i in at], np.int64), counts)
    base_s = np.array([entry.base_time_s for entry in entries], np.float64)
    offset_s = np.array([entry.time_s for entry in entries], np.float64)
    time_us = seconds_us(base_s) + seconds_us(offset_s)
    relative = time_us < RELATIVE_BELOW_US
    return Raw(
        message,
        names.column([entry.name for entry in entries]),
        np.where(relative, received_us + time_us, time_us),
        np.array([entry.value for entry in entries], np.float64),
        relative,
    )
