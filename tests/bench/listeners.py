"""Pages without a screen: many connections to the stream of events, as EventSource makes them.

python tests/bench/listeners.py PORT COUNT OUT

Writes one line for every tick that every connection has seen: the tick's time and when it was there (Unix
seconds). Ends with SIGTERM.
"""

from __future__ import annotations

import asyncio
import re
import signal
import sys
import time
from pathlib import Path

AT = re.compile(rb'"at":"([^"]+)"')


async def listen(port: int, out: list[tuple[str, float]]) -> None:
    """One connection; every event is read to its end before its time is taken."""
    reader, writer = await asyncio.open_connection("127.0.0.1", port, limit=16_000_000)
    writer.write(b"GET /api/v1/events HTTP/1.1\r\nHost: 127.0.0.1\r\nAccept: text/event-stream\r\n\r\n")
    kind = b""
    while line := await reader.readline():
        if line.startswith(b"event: "):
            kind = line[7:].strip()
        elif line.startswith(b"data: ") and kind == b"readings":
            now_s = time.time()
            out += [(at, now_s) for at in {found.decode() for found in AT.findall(line)}]


async def main(port: int, count: int, path: Path) -> None:
    seen: list[tuple[str, float]] = []
    tasks = [asyncio.create_task(listen(port, seen)) for _ in range(count)]
    stop = asyncio.Event()
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, stop.set)
    print("listening", flush=True)
    await stop.wait()
    for task in tasks:
        task.cancel()
    path.write_text("".join(f"{at} {when:.6f}\n" for at, when in seen))


if __name__ == "__main__":
    asyncio.run(main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3])))
