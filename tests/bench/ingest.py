"""How fast messages come in, as ratios of one run on one broker.

    python tests/bench/ingest.py            both figures, each the median of three

1. QoS 1 messages of one sample through receiver, decoder, commit into SQLite and ack, against paho with an
   empty callback. Wanted: at least 1.5 times as many.
2. SenML packs of 60 the same way. Wanted: at least 300,000 samples/s.

Mosquitto, the publisher (bare socket, packets encoded beforehand) and the receiver are processes apart. The
second rate in each line counts only the receiver's own processor seconds: look at it when the
machine was busy with other work and the first rate is low.
"""

from __future__ import annotations

import argparse
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection as Pipe
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

import paho.mqtt.client as mqtt  # noqa: E402
from raw_publisher import CHANNELS, SAMPLES_A_PACK  # noqa: E402

from hissmark.decode.decoder import Decoder  # noqa: E402
from hissmark.decode.source import MqttSource  # noqa: E402
from hissmark.ingest.queue import MessageQueue  # noqa: E402
from hissmark.ingest.receiver import Receiver  # noqa: E402
from hissmark.ingest.settings import MqttSettings  # noqa: E402
from hissmark.store.open import open_store  # noqa: E402
from hissmark.store.writer import Writer  # noqa: E402
from support.broker import Broker  # noqa: E402

SINGLES, PACKS = 200_000, 20_000
BATCH_MESSAGES = 20_000
SOURCES = (
    MqttSource("plant/+", format="json", name_template="{1}", value_pointer="/v", time_pointer="/t"),
    MqttSource("packs/+"),
)


def clocks() -> tuple[float, float]:
    """Wall clock and this process's processor time, seconds."""
    return time.perf_counter(), time.process_time()


def since(began: tuple[float, float]) -> tuple[float, float]:
    """Seconds on both clocks."""
    now = clocks()
    return now[0] - began[0], now[1] - began[1]


def empty_callback(port: int, count: int, pipe: Pipe, _: str) -> None:
    """paho as it comes: QoS 1, acknowledged by itself, nothing done with the messages."""
    seen, began = 0, (0.0, 0.0)
    done = threading.Event()

    def on_message(*_: object) -> None:
        nonlocal seen, began
        seen += 1
        if seen == 1:
            began = clocks()
        if seen == count:
            done.set()

    client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="bench-empty")
    client.on_message = on_message
    client.on_subscribe = lambda *_: pipe.send("ready")
    client.connect("127.0.0.1", port)
    client.subscribe("plant/+", 1)
    client.loop_start()
    done.wait()
    pipe.send(since(began))
    client.disconnect()


def whole_way(port: int, count: int, pipe: Pipe, folder: str, protocol: int = 5) -> None:
    """Our receiver, decoder, writer and ack, until every message is committed."""
    names = {f"AX-{i}": i for i in range(CHANNELS)}
    decoder = Decoder(SOURCES, names)
    queue = MessageQueue()
    settings = MqttSettings("127.0.0.1", "bench-whole", SOURCES, port=port, protocol=protocol)
    receiver = Receiver(settings, queue, lambda: time.time_ns() // 1000)
    receiver.start()
    while not receiver.health().subscribed:
        time.sleep(0.01)
    pipe.send("ready")
    seen = stored = batches = 0
    began = None
    with Writer(open_store(f"sqlite:///{folder}/bench.db", Path(folder)), tuple(names)) as writer:
        while seen < count:
            messages = queue.get_batch(BATCH_MESSAGES, 1.0)
            if not messages:
                continue
            began = began or clocks()
            decoded = decoder.decode(messages, time.time_ns() // 1000)
            with writer.transaction() as transaction:
                stored += transaction.samples(decoded.batch)
            receiver.ack(messages)
            seen += len(messages)
            batches += 1
        pipe.send(since(began))
    receiver.stop()
    pipe.send((stored, batches, receiver.health().pauses))


def whole_way_311(port: int, count: int, pipe: Pipe, folder: str) -> None:
    """The same in MQTT 3.1.1."""
    whole_way(port, count, pipe, folder, 311)


def measure(kind: str, count: int, receive: Callable[[int, int, Pipe, str], None]) -> tuple[float, float]:
    """Messages a second by wall clock and by processor time, from the first received to the last done."""
    with tempfile.TemporaryDirectory() as folder:
        return measure_in(folder, kind, count, receive)


def measure_in(
    folder: str, kind: str, count: int, receive: Callable[[int, int, Pipe, str], None]
) -> tuple[float, float]:
    """The same, into the store in a folder. Samples that are there already are not stored again."""
    with tempfile.TemporaryDirectory() as apart, Broker(Path(apart), persistence=False) as broker:
        here, there = get_context("spawn").Pipe()
        process = get_context("spawn").Process(target=receive, args=(broker.port, count, there, folder))
        process.start()
        command = [sys.executable, str(HERE / "raw_publisher.py"), str(broker.port), kind, str(count)]
        with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as publisher:
            assert publisher.stdin is not None
            assert publisher.stdout is not None
            publisher.stdout.readline()
            here.recv()
            publisher.stdin.write("go\n")
            publisher.stdin.flush()
            took_s, busy_s = here.recv()
            publisher.wait()
        if receive is not empty_callback:
            stored, batches, pauses = here.recv()
            expected = count * (SAMPLES_A_PACK if kind == "pack" else 1)
            assert stored == expected, f"{stored} samples stored of {expected}"
            print(f"    {count / took_s:,.0f} messages/s, {batches} commits, {pauses} pauses", flush=True)
        process.join()
        return count / took_s, count / busy_s


def median(
    kind: str, count: int, receive: Callable[[int, int, Pipe, str], None], runs: int
) -> tuple[float, float]:
    """Median rates of several runs."""
    rates = [measure(kind, count, receive) for _ in range(runs)]
    return statistics.median(rate[0] for rate in rates), statistics.median(rate[1] for rate in rates)


def show(what: str, rates: tuple[float, float], unit: str, rest: str = "") -> None:
    """One line of the outcome."""
    print(f"{what:34s}{rates[0]:10,.0f} {unit}   {rates[1]:10,.0f} a processor second   {rest}", flush=True)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--runs", type=int, default=3)
    runs = parser.parse_args().runs
    empty = median("single", SINGLES, empty_callback, runs)
    show("paho, empty callback", empty, "messages/s")
    for what, receive in (
        ("receive, decode, commit, ack", whole_way),
        ("the same in MQTT 3.1.1", whole_way_311),
    ):
        ours = median("single", SINGLES, receive, runs)
        ratios = [mine / theirs for mine, theirs in zip(ours, empty, strict=True)]
        show(what, ours, "messages/s", f"ratio {ratios[0]:.2f}, {ratios[1]:.2f} (>= 1.5)")
    packs = median("pack", PACKS, whole_way, runs)
    samples = packs[0] * SAMPLES_A_PACK, packs[1] * SAMPLES_A_PACK
    show("SenML packs of 60, the whole way", samples, "samples/s ", "(>= 300,000)")


if __name__ == "__main__":
    main()
