"""A Sparkplug host by another hand: decodes payloads with pysparkplug (Apache-2.0), as a program of its own.

Lines on standard input are `NBirth HEX`, `NData HEX` or `NDeath HEX`; each is answered in JSON.
"""

from __future__ import annotations

import importlib
import json
import sys
from typing import Any


def main() -> None:
    peer: Any = importlib.import_module("pysparkplug")
    birth: Any = None
    for line in sys.stdin:
        kind, raw = line.split()
        payload = getattr(peer, kind).decode(bytes.fromhex(raw), birth=birth)
        if kind == "NDeath":
            print(json.dumps({"bd_seq": payload.bd_seq_metric.value}))
            continue
        birth = payload if kind == "NBirth" else birth
        print(json.dumps({"seq": payload.seq, "metrics": [shown(m) for m in payload.metrics]}))


def shown(metric: Any) -> dict[str, Any]:
    return {
        "name": metric.name, "type": metric.datatype.name, "value": metric.value, "alias": metric.alias,
        "historical": metric.is_historical,
    }  # fmt: skip


if __name__ == "__main__":
    main()
