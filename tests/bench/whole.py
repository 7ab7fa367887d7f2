"""What the whole service takes and how soon it is back, beside a receiver that does nothing but acknowledge.

    PYTHONPATH=service python tests/bench/whole.py [--runs 3] [--only singles,packs,recovery]

1. QoS 1 messages of one sample into a real `hissmark run` (decoded, stored durably in SQLite, judged,
   shown) against a bare socket that reads PUBLISH and answers PUBACK, on a broker of the same kind, in turn.
   Wanted: 0.7 times as many. What is stored is counted in the database, from outside: a metrics page of a
   thousand valves costs the service 40 ms of its processor time, and it would be asked for 20 times a second.
2. SenML packs of 60 the same way. Wanted: 500,000 samples/s on an idle machine; the rate of the bare socket
   tells how busy this one was.
3. SIGKILL with 10,000 channels, then from the start of the process until it has caught up, is subscribed and
   its pages answer: against the start of a service with three channels and nothing stored. Wanted: 5 s on an
   idle machine.
"""

from __future__ import annotations

import argparse
import os
import socket
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from multiprocessing import get_context
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from raw_publisher import SAMPLES_A_PACK  # noqa: E402

from support import panel  # noqa: E402
from support.broker import Broker  # noqa: E402
from support.service import Service, until, write_site  # noqa: E402

SINGLES, PACKS = 200_000, 20_000
SOURCES = (
    {"filter": "plant/+", "format": "json", "name": "{1}", "value": "/v", "time": "/t", "unit": "dB"},
    {"filter": "packs/+", "format": "senml"},
)
TOPICS = {"plant": b"plant/+", "pack": b"packs/+"}
LARGE = 10_000
PATIENCE_S = 900.0
PAGES = ("/", "/api/v1/alarms", "/api/v1/valves?limit=50")
ARRIVED = "SELECT coalesce(sum(samples), 0) FROM arrivals"
Rates = tuple[float, float]
"""Messages a second, by the clock and by the processor time of the receiving process."""


def register(channels: int) -> list[dict[str, object]]:
    """Groups of five valves."""
    return [
        {"channel": f"AX-{i}", "kind": "valve", "valve": f"XV-{i}", "group": f"G{i // 5}", "position": i % 5}
        for i in range(channels)
    ]


@contextmanager
def publishing(broker: Broker, kind: str, count: int, channels: int = 1000) -> Iterator[Callable[[], None]]:
    """A publisher that has its packets ready; what is given starts it."""
    command = [
        sys.executable,
        str(HERE / "raw_publisher.py"),
        str(broker.port),
        kind,
        str(count),
        str(channels),
    ]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as publisher:
        assert publisher.stdin is not None
        assert publisher.stdout is not None
        publisher.stdout.readline()
        told = publisher.stdin

        def go() -> None:
            told.write("go\n")
            told.flush()

        yield go
        publisher.wait()


def bare_socket(port: int, topic: bytes, count: int, pipe: Pipe) -> None:
    """Subscribe at QoS 1 (MQTT 3.1.1), and acknowledge whatever comes, in bulk."""
    sock = socket.create_connection(("127.0.0.1", port))
    name = b"bench-bare"
    sock.sendall(
        b"\x10" + bytes([12 + len(name)]) + b"\x00\x04MQTT\x04\x02\x00\x3c\x00" + bytes([len(name)]) + name
    )
    assert sock.recv(4) == b"\x20\x02\x00\x00"
    sock.sendall(b"\x82" + bytes([5 + len(topic)]) + b"\x00\x01\x00" + bytes([len(topic)]) + topic + b"\x01")
    assert sock.recv(5) == b"\x90\x03\x00\x01\x01"
    pipe.send("ready")
    seen, rest, began = 0, b"", 0.0
    while seen < count:
        data = rest + sock.recv(1 << 18)
        began = began or time.perf_counter()
        at, acks = 0, bytearray()
        while (found := _packet(data, at)) is not None:
            body, end = found
            at_id = body + 2 + int.from_bytes(data[body : body + 2], "big")
            acks += b"\x40\x02" + data[at_id : at_id + 2]
            at, seen = end, seen + 1
        rest = data[at:]
        sock.sendall(acks)
    pipe.send((time.perf_counter() - began, time.process_time()))
    sock.close()


def _packet(data: bytes, at: int) -> tuple[int, int] | None:
    """Where the packet's variable header begins and where it ends; None if it is not all there."""
    length = shift = 0
    for i in range(at + 1, min(at + 5, len(data))):
        length |= (data[i] & 127) << shift
        shift += 7
        if data[i] < 128:
            return (i + 1, i + 1 + length) if i + 1 + length <= len(data) else None
    return None


def bare(kind: str, count: int) -> Rates:
    """Of the bare socket."""
    with tempfile.TemporaryDirectory() as folder, Broker(Path(folder), persistence=False) as broker:
        here, there = get_context("spawn").Pipe()
        process = get_context("spawn").Process(
            target=bare_socket, args=(broker.port, TOPICS[kind], count, there)
        )
        process.start()
        with publishing(broker, kind, count) as go:
            assert here.recv() == "ready"
            go()
            took_s, busy_s = here.recv()
        process.join()
        return count / took_s, count / busy_s


def service(kind: str, count: int, samples: int) -> Rates:
    """Of the whole service, from the first sample on record to the last."""
    with tempfile.TemporaryDirectory() as name, Broker(Path(name), persistence=False) as broker:
        site = write_site(Path(name) / "site", broker, register(1000), sources=SOURCES)
        with publishing(broker, kind, count) as go, Service(site) as running:
            running.start()
            go()
            began_s, first = _reached(running, 1)
            busy_s = processor_s(running)
            ended_s, _ = _reached(running, samples)
            busy_s = processor_s(running) - busy_s
            assert running.stored() == samples
            running.stop()
        messages = count * (1 - first / samples)
        return messages / (ended_s - began_s), messages / busy_s


def _reached(running: Service, samples: float) -> tuple[float, float]:
    """When the service has stored so many, and how many it has."""
    until_s = time.monotonic() + PATIENCE_S
    uri = (running.folder / "data" / "hissmark.db").as_uri() + "?mode=ro"
    with closing(sqlite3.connect(uri, uri=True)) as database:
        while (found := database.execute(ARRIVED).fetchone()[0]) < samples:
            assert time.monotonic() < until_s, f"{found:,.0f} samples of {samples:,.0f}: {running.log()[-3:]}"
            time.sleep(0.05)
    return time.perf_counter(), found


def ingest(kind: str, count: int, samples: int, runs: int) -> None:
    pairs = [(service(kind, count, samples), bare(kind, count)) for _ in range(runs)]
    ours, theirs = sorted(pairs, key=lambda pair: pair[0][0] / pair[1][0])[runs // 2]
    each = samples / count
    wanted = "wanted: 0.7" if kind == "plant" else "wanted: 500,000 samples/s on an idle machine"
    for told, unit, i in (("", "a second", 0), ("  of its own processor time: ", "a processor second", 1)):
        print(
            f"{told or kind + ': '}the whole service {ours[i] * each:,.0f} samples {unit}, bare socket "
            f"{theirs[i] * each:,.0f}, ratio {ours[i] / theirs[i]:.2f} ({wanted})",
            flush=True,
        )


def started(running: Service) -> tuple[float, float]:
    """Seconds until it is there for people and messages, by the clock and of its processor time."""
    began_s = time.perf_counter()
    running.spawn()
    until(lambda: running.logged("subscribed"), "the service is subscribed", PATIENCE_S)
    until(lambda: all(_answers(running, page) for page in PAGES), "its pages answer", PATIENCE_S)
    took_s = time.perf_counter() - began_s
    return took_s, processor_s(running)


def _answers(running: Service, page: str) -> bool:
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{running.port}{page}", timeout=30) as answer:
            return bool(answer.read())
    except OSError:
        return False


def processor_s(running: Service) -> float:
    """What the process has used since its start."""
    assert running.process is not None
    fields = Path(f"/proc/{running.process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def recovery(runs: int) -> None:
    """Killed in the midst of a stream, half a minute of samples not in the saved state."""
    back, empty = [], []
    for _ in range(runs):
        with tempfile.TemporaryDirectory() as name, Broker(Path(name)) as broker:
            small = write_site(Path(name) / "small", broker, panel.REGISTER)
            with Service(small) as running:
                empty.append(started(running))
            site = write_site(Path(name) / "site", broker, register(LARGE), sources=SOURCES)
            count = 40 * LARGE
            with Service(site) as running:
                with publishing(broker, "plant", count, LARGE) as go:
                    running.start()
                    go()
                    _reached(running, 0.8 * count)
                    running.kill()
                back.append(started(running))
                running.wait_stored(count, PATIENCE_S)
                assert running.stored() == count
    for told, found in (
        (f"back with {LARGE:,} channels after SIGKILL", back),
        ("start with nothing stored", empty),
    ):
        wall, busy = (statistics.median(each[i] for each in found) for i in (0, 1))
        print(f"{told}: {wall:.1f} s, {busy:.1f} s of the processor", flush=True)
    ratio = statistics.median(a[1] for a in back) / statistics.median(a[1] for a in empty)
    print(f"ratio of processor time {ratio:.1f} (wanted: 5 s on an idle machine)", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--only", default="singles,packs,recovery")
    wanted = parser.parse_args()
    print(f"load {os.getloadavg()[0]:.1f} on {os.cpu_count()} processors")
    if "singles" in wanted.only:
        ingest("plant", SINGLES, SINGLES, wanted.runs)
    if "packs" in wanted.only:
        ingest("pack", PACKS, PACKS * SAMPLES_A_PACK, wanted.runs)
    if "recovery" in wanted.only:
        recovery(wanted.runs)
    print(f"load {os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
