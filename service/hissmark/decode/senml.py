"""SenML packs in JSON (RFC 8428): records, and how base fields resolve."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec

from hissmark.decode.columns import RejectReason
from hissmark.decode.loose import PayloadError, parse

VERSION = 10
"""Highest SenML version understood (RFC 8428, 4.4)."""

RELATIVE_BELOW_S = 1 << 28
"""Times below this many seconds are relative to now (RFC 8428, 4.5.3)."""


class Record(msgspec.Struct, gc=False):
    """One SenML record as sent. Labels not listed here are ignored, unless they end in `_`."""

    n: str | None = None
    v: float | None = None
    t: float | None = None
    u: str | None = None
    bn: str | None = None
    bt: float | None = None
    bu: str | None = None
    bv: float | None = None
    bs: float | None = None
    bver: float | None = None
    s: float | None = None
    ut: float | None = None
    vs: str | None = None
    vb: bool | None = None
    vd: str | None = None


class Entry(msgspec.Struct, gc=False):
    """One resolved record. Its time is the sum `base_time_s + time_s`, kept apart for exact microseconds."""

    name: str
    base_time_s: float
    time_s: float
    unit: str | None
    value: float | None
    record: Record


class Problem(msgspec.Struct, gc=False):
    """A record that cannot be used; its base fields, in `bases`, still count for those that follow."""

    reason: RejectReason
    detail: str
    bases: Record | None = None


_PACK = msgspec.json.Decoder(list[Record])
_PACKS = msgspec.json.Decoder(list[list[Record]])
_BASES = ("bn", "bt", "bu", "bv", "bs", "bver")
HALF = "text with half a character (a lone surrogate)"


def read_packs(payloads: Sequence[bytes]) -> tuple[list[list[Record]], bytes] | None:
    """Many packs at once, and the text they were read from; None unless every one of them is right.

    The payloads are joined into one JSON array. That this cannot change where a pack begins or ends follows
    from counting: each payload holds exactly one `[`, as its first byte, and the decoder must find as many
    packs as there are payloads, so each pack begins with its payload.
    """
    if any(p[:1] != b"[" or p.count(b"[") != 1 for p in payloads):
        return None
    joined = b",".join(payloads)
    if b'_"' in joined or b"\\" in joined:  # perhaps a label that must be understood
        return None
    try:
        packs = _PACKS.decode(b"[" + joined + b"]")
    except (ValueError, RecursionError):
        return None
    return (packs, joined) if len(packs) == len(payloads) else None


def read_pack(payload: bytes) -> list[Record | Problem]:
    """One pack, record by record. Raises PayloadError if none of it can be used."""
    if b'_"' not in payload and b"\\" not in payload:
        try:
            return list(_PACK.decode(payload))
        except (ValueError, RecursionError):
            pass
    document = parse(payload)
    if not isinstance(document, list):
        raise PayloadError(RejectReason.WRONG_TYPE, "a SenML pack is a JSON array of records")
    return [_record(item) for item in document]


def _record(item: object) -> Record | Problem:
    if not isinstance(item, dict):
        return Problem(RejectReason.WRONG_TYPE, "a SenML record is a JSON object")
    for label in item:
        if label.endswith("_"):
            raise PayloadError(
                RejectReason.UNKNOWN_MUST_UNDERSTAND, f"label {label!r} must be understood and is not"
            )
    try:
        return msgspec.convert(item, Record)
    except msgspec.ValidationError as error:
        reason = RejectReason.NOT_FINITE if "out of range" in str(error) else RejectReason.WRONG_TYPE
        return Problem(reason, str(error), _bases(item))
    except UnicodeEncodeError:  # JSON's escapes can spell half a character (RFC 8259, 8.2)
        raise PayloadError(RejectReason.NOT_JSON, HALF) from None


def _bases(item: dict[str, object]) -> Record | None:
    """Base fields of a record that is wrong elsewhere. A wrong base spoils all that follow: PayloadError."""
    fields = {label: item[label] for label in _BASES if label in item}
    try:
        return msgspec.convert(fields, Record) if fields else None
    except msgspec.ValidationError as error:
        raise PayloadError(RejectReason.WRONG_TYPE, f"base field: {error}") from None
    except UnicodeEncodeError:
        raise PayloadError(RejectReason.NOT_JSON, HALF) from None


def resolve(records: Sequence[Record | Problem]) -> list[Entry | Problem]:
    """Apply the base fields (RFC 8428, 4.6). Raises PayloadError if the version is not understood.

    Records that only set base fields yield nothing.
    """
    base_name, base_time_s, base_value = "", 0.0, 0.0
    base_unit: str | None = None
    entries: list[Entry | Problem] = []
    for record in records:
        if isinstance(record, Problem):
            entries.append(record)
            if record.bases is None:
                continue
            record = record.bases
        if record.bver is not None and not 0 < record.bver <= VERSION:
            raise PayloadError(
                RejectReason.UNSUPPORTED_VERSION,
                f"SenML version {record.bver:g}; versions up to {VERSION} are understood",
            )
        if record.bn is not None:
            base_name = record.bn
        if record.bt is not None:
            base_time_s = record.bt
        if record.bu is not None:
            base_unit = record.bu
        if record.bv is not None:
            base_value = record.bv
        value = record.v
        if value is None:
            if only_bases(record):
                continue
        elif base_value:
            value += base_value
        name = record.n
        entries.append(
            Entry(
                base_name if name is None else base_name + name,
                base_time_s,
                record.t or 0.0,
                base_unit if record.u is None else record.u,
                value,
                record,
            )
        )
    return entries


def only_bases(record: Record) -> bool:
    """Whether a record without value sets bases for those that follow and says nothing itself."""
    if any(x is not None for x in (record.n, record.s, record.vs, record.vb, record.vd)):
        return False
    return any(x is not None for x in (record.bn, record.bt, record.bu, record.bv, record.bs, record.bver))


def missing_value(record: Record) -> Problem:
    """Why a resolved record without a number is of no use here."""
    for label, what in (("vs", "text"), ("vb", "true or false"), ("vd", "binary data")):
        if getattr(record, label) is not None:
            return Problem(RejectReason.WRONG_TYPE, f"value is {what} ({label}); a number (v) is needed")
    if record.s is not None:
        return Problem(RejectReason.MISSING_VALUE, "only a sum (s); a value (v) is needed")
    return Problem(RejectReason.MISSING_VALUE, "record without a value (v)")
