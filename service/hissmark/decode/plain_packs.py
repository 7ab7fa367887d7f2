"""SenML packs as gateways mostly send them, straight to columns: base fields in the first record only, a
number in every record that says anything. Whatever is otherwise is left to `senml.resolve`, record by record.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np
import numpy.typing as npt

from hissmark.decode import senml
from hissmark.decode.times import F64


@dataclass(frozen=True, slots=True)
class Plain:
    """Records of several packs, one behind the other.

    Attributes:
        counts: int64[packs], records with a value in each. names: resolved; one a pack if its records
            share it, or one a record. base_s, offset_s, value: float64[n]; a time is the sum of both.
    """

    counts: npt.NDArray[np.int64]
    names: list[str]
    shared: bool
    base_s: F64
    offset_s: F64
    value: F64


Fits = Callable[[str, str | None], bool]
"""Whether a resolved name and its unit can be taken."""


def plain(packs: Sequence[list[senml.Record]], text: bytes, fits: Fits, most: int) -> Plain | None:
    """Columns of all packs, `text` being what they were read from; None unless all of them are plain.

    `most`: records in one pack.
    """
    if not packs or not all(packs) or max(map(len, packs)) > most:
        return None
    firsts = [pack[0] for pack in packs]
    if any(first.v is None and not senml.only_bases(first) for first in firsts):
        return None
    telling = [pack if pack[0].v is not None else pack[1:] for pack in packs]
    records = list(chain.from_iterable(telling))
    named, measured = b'"n"' in text, b'"u"' in text
    if not all(telling) or not _bases_lead(firsts, records, text, named=named, measured=measured):
        return None
    counts = np.array([len(pack) for pack in telling], np.int64)
    value, offset_s = _column([r.v for r in records]), _column([r.t for r in records])
    alike = not named and not measured
    names, units = _resolved(firsts, telling, alike=alike)
    if np.isnan(value).any() or not all(fits(*pair) for pair in set(zip(names, units, strict=True))):
        return None
    added = np.repeat(np.array([first.bv or 0.0 for first in firsts]), counts)
    base_s = np.repeat(np.array([first.bt or 0.0 for first in firsts]), counts)
    value = np.where(added == 0.0, value, value + added)
    return Plain(counts, names, alike, base_s, np.nan_to_num(offset_s, copy=False, nan=0.0), value)


def _column(values: list[float | None]) -> F64:
    """float64[n]; NaN where there is none (JSON has no NaN of its own)."""
    return np.array(values, np.float64)


def _bases_lead(
    firsts: Sequence[senml.Record], records: Sequence[senml.Record], text: bytes, *, named: bool,
    measured: bool,
) -> bool:  # fmt: skip
    """Whether no record but the first of each pack holds a base field, and none a version.

    By counting: every label and every text that begins with `b` is a `"b` in the text (which has no escapes).
    Those of the first records are known; if there are no more, no other record can hold a base field.
    """
    if any(first.bver is not None for first in firsts):
        return False
    known = sum(x is not None for f in firsts for x in (f.bn, f.bt, f.bu, f.bv, f.bs))
    texts = [t for f in firsts for t in (f.bn, f.bu)]
    texts += [r.n for r in records] if named else []
    texts += [r.u for r in records] if measured else []
    known += sum(t is not None and t[:1] == "b" for t in texts)
    return text.count(b'"b') == known


def _resolved(
    firsts: Sequence[senml.Record], telling: Sequence[list[senml.Record]], *, alike: bool
) -> tuple[list[str], list[str | None]]:
    """Names and units: of each pack if all its records are alike, else of each record."""
    bases = [(first.bn or "", first.bu) for first in firsts]
    if alike:
        return [name for name, _ in bases], [unit for _, unit in bases]
    together = list(zip(bases, telling, strict=True))
    names = [name if r.n is None else name + r.n for (name, _), pack in together for r in pack]
    return names, [unit if r.u is None else r.u for (_, unit), pack in together for r in pack]
