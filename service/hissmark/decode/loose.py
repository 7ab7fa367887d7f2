"""The second reading of a payload that the strict, typed decoder refused: find out what is wrong with it."""

from __future__ import annotations

import json

import msgspec

from hissmark.decode.columns import RejectReason


class PayloadError(Exception):
    """The whole payload is turned away."""

    def __init__(self, reason: RejectReason, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason
        self.detail = detail


def parse(payload: bytes) -> object:
    """Any JSON document. Raises PayloadError.

    NaN and Infinity are no JSON (RFC 8259, 6), yet common encoders write them; they are read here, so that
    the record they stand in is turned away as not finite and its neighbours in the pack are kept.
    """
    try:
        return msgspec.json.decode(payload)
    except RecursionError:
        raise PayloadError(RejectReason.TOO_DEEP, "JSON nested too deeply") from None
    except ValueError:
        pass
    try:
        return json.loads(payload.decode("utf-8"))
    except RecursionError:
        raise PayloadError(RejectReason.TOO_DEEP, "JSON nested too deeply") from None
    except UnicodeDecodeError as error:
        raise PayloadError(RejectReason.NOT_JSON, f"not UTF-8 at byte {error.start}") from None
    except ValueError as error:
        raise PayloadError(RejectReason.NOT_JSON, f"not JSON: {error}") from None
