"""Publishes pre-encoded MQTT 3.1.1 QoS 1 messages over a bare socket, faster than any receiver takes them.

Run as a program of its own: `raw_publisher.py PORT KIND COUNT [CHANNELS]` with KIND `single`, `pack`, or
`plant`: singles at one a channel in ten seconds.
"""

from __future__ import annotations

import select
import socket
import sys
from functools import partial

CHANNELS = 1000
SAMPLES_A_PACK = 60
FIRST_S = 1_760_000_000
IN_FLIGHT = 5_000
"""Unacknowledged messages; packet ids must not come round while one is out."""


def _length(size: int) -> bytes:
    out = bytearray()
    while True:
        size, low = divmod(size, 128)
        out.append(low | (128 if size else 0))
        if not size:
            return bytes(out)


def publish_packet(topic: str, payload: bytes, packet_id: int) -> bytes:
    """A PUBLISH at QoS 1 (MQTT 3.1.1, 3.3)."""
    name = topic.encode()
    body = len(name).to_bytes(2, "big") + name + packet_id.to_bytes(2, "big") + payload
    return b"\x32" + _length(len(body)) + body


def single(i: int) -> tuple[str, bytes]:
    """Topic and 28 to 29 bytes of JSON: one sample of one channel."""
    ms = FIRST_S * 1000 + i // CHANNELS * 100
    return f"plant/AX-{i % CHANNELS}", b'{"v":%.2f,"t":%d}' % (40 + i % 97 / 10, ms)


def plant(i: int, channels: int) -> tuple[str, bytes]:
    """The same of a plant with so many channels, each at a sample in ten seconds."""
    ms = FIRST_S * 1000 + i // channels * 10_000
    return f"plant/AX-{i % channels}", b'{"v":%.2f,"t":%d}' % (40 + i % 97 / 10, ms)


def pack(i: int) -> tuple[str, bytes]:
    """Topic and a SenML pack: sixty seconds of one channel."""
    start_s = FIRST_S + i // CHANNELS * SAMPLES_A_PACK
    values = [b"%.2f" % (40 + (i + k) % 97 / 10) for k in range(SAMPLES_A_PACK)]
    records = [b'{"bn":"AX-%d","bt":%d,"bu":"dB","v":%s}' % (i % CHANNELS, start_s, values[0])]
    records += [b'{"t":%d,"v":%s}' % (k, values[k]) for k in range(1, SAMPLES_A_PACK)]
    return f"packs/AX-{i % CHANNELS}", b"[" + b",".join(records) + b"]"


def encode(kind: str, count: int, channels: int = CHANNELS) -> list[bytes]:
    """Every packet, ready to send, in blocks of a hundred."""
    make = {"single": single, "pack": pack, "plant": partial(plant, channels=channels)}[kind]
    packets = [publish_packet(*make(i), i % 65535 + 1) for i in range(count)]
    return [b"".join(packets[at : at + 100]) for at in range(0, count, 100)]


def connect(port: int) -> socket.socket:
    """A clean session under the name `bench-publisher`."""
    sock = socket.create_connection(("127.0.0.1", port))
    name = b"bench-publisher"
    body = b"\x00\x04MQTT\x04\x02\x00\x3c" + len(name).to_bytes(2, "big") + name
    sock.sendall(b"\x10" + _length(len(body)) + body)
    if sock.recv(4) != b"\x20\x02\x00\x00":
        raise RuntimeError("the broker did not accept the publisher")
    return sock


def send(sock: socket.socket, blocks: list[bytes], count: int) -> None:
    """Send all blocks and wait for every PUBACK (four bytes each)."""
    sent = acked = 0
    for block in blocks:
        sock.sendall(block)
        sent += 100
        while sent - acked > IN_FLIGHT or select.select([sock], [], [], 0)[0]:
            acked += len(sock.recv(1 << 16)) / 4
    while acked < count:
        acked += len(sock.recv(1 << 16)) / 4


def main() -> None:
    port, kind, count = int(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    blocks = encode(kind, count, int(sys.argv[4]) if len(sys.argv) > 4 else CHANNELS)
    sock = connect(port)
    print("ready", flush=True)
    sys.stdin.readline()
    send(sock, blocks, count)
    sock.close()


if __name__ == "__main__":
    main()
