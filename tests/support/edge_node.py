"""A Sparkplug edge node by another hand: pysparkplug (Apache-2.0), run as a program of its own.

It needs an older paho than ours, so it is installed into a folder of its own. Driven by lines on standard
input: `send VALUE...` sends one DDATA for each value, `again VALUE...` is born again first, `quit` ends. Says
`born`, `sent` and `asked` (for its birth) on standard output.

    python edge_node.py HOST PORT GROUP NODE DEVICE
"""

from __future__ import annotations

import importlib
import sys
import time
from typing import Any


def main(host: str, port: int, group: str, name: str, device_id: str) -> None:
    peer: Any = importlib.import_module("pysparkplug")

    def metric(value: float) -> Any:
        now_ms = peer.get_current_timestamp()
        return peer.Metric(timestamp=now_ms, name="level", datatype=peer.DataType.DOUBLE, value=value)

    def asked(node: object, message: object) -> None:
        print("asked", flush=True)

    now_ms = peer.get_current_timestamp()
    temp = peer.Metric(timestamp=now_ms, name="temp", datatype=peer.DataType.FLOAT, value=20.5)
    node = peer.EdgeNode(group, name, [temp], cmd_callback=asked)
    node.register(peer.Device(device_id, [metric(20.0)]))

    def connect() -> None:
        node.connect(host, port=port)
        time.sleep(0.5)  # its births go out in a thread of its own
        print("born", flush=True)

    connect()
    for line in sys.stdin:
        word, *values = line.split()
        if word == "quit":
            break
        if word == "again":
            node.disconnect()
            connect()
        for value in values:
            node.update_device(device_id, [metric(float(value))])
            time.sleep(0.01)  # two values in one millisecond would be one
        print("sent", flush=True)
    node.disconnect()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]), *sys.argv[3:6])
