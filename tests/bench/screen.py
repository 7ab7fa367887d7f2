"""From a tick to the screen with fifty browsers open, and what these cost the intake.

PYTHONPATH=service python tests/bench/screen.py [--chromiums 3] [--others 47] [--rounds 30] [--runs 3]

A real `hissmark run` behind a real Mosquitto; 30 groups of 5 valves. Fifty Chromiums do not fit a machine
that size: a few are real, the others are connections that take in every event as EventSource does, in a
process of their own.

1. Latency: the data of one minute is published for all groups at once, which closes one tick of each. The
   clock starts before the first byte is published, so broker, decoding, judging and commit are in the
   figure; it stops when the event has been read to its end, or (Chromium) when the frame with the last group
   of the tick is drawn. Wanted: 95 % within 1 s.
2. Cost: a backlog of packs is worked off without and with fifty pages open, in turns; samples a second by
   the wall clock and by the service's own processor time. On two cores the pages themselves and the
   publisher take their share of the wall clock. Wanted: at most 10 % of the processor time.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from hissmark.publish.times import rfc3339  # noqa: E402
from support.broker import Broker  # noqa: E402
from support.browser import Browser, browsing  # noqa: E402
from support.publish import Gateway, Sent, senml_pack  # noqa: E402
from support.service import Service, until, write_site  # noqa: E402

GROUPS, VALVES, STEP_S, ROUND_S = 30, 5, 10, 1.5
FLOOD_MINUTES = 1500
MINUTE_US = 60_000_000
REGISTER: list[dict[str, object]] = [
    {"channel": f"AX-{g}-{v}", "kind": "valve", "valve": f"XV-{g}-{v}", "group": f"rack {g}", "position": v}
    for g in range(GROUPS)
    for v in range(VALVES)
]
WATCH = """
window.seen = {};
new MutationObserver((changes) => {
  const times = changes.flatMap((c) => [...c.addedNodes]).map((n) => n.dataset?.at).filter(Boolean);
  if (times.length) requestAnimationFrame(() => setTimeout(() => {
    for (const at of times) window.seen[at] = Date.now() / 1000;
  }));
}).observe(document.querySelector(".plant"), { childList: true });
"""


def minute(start_us: int, minutes: int = 1) -> Iterator[Sent]:
    """The data of some minutes, one pack a group; a level that the hour of the day moves a little."""
    times = range(start_us + 5_000_000, start_us + minutes * MINUTE_US, STEP_S * 1_000_000)
    for g in range(GROUPS):
        records = [(f"AX-{g}-{v}", at, 24.0 + (at // 10_000_000 * 7 + v) % 5 / 10, "dB")
                   for at in times for v in range(VALVES)]  # fmt: skip
        yield f"plant/{g}/levels", senml_pack(records)


@contextmanager
def listeners(port: int, count: int, out: Path) -> Iterator[None]:
    """That many connections until the block ends; what they saw is then in `out`."""
    if not count:
        yield
        return
    command = [sys.executable, str(HERE / "listeners.py"), str(port), str(count), str(out)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        process.stdout.readline()
        try:
            yield
        finally:
            process.terminate()
            process.wait()


def latency(
    service: Service, gateway: Gateway, start_us: int, rounds: int, chromiums: int, others: int, folder: Path
) -> int:
    """Prints how long ticks took; returns the time that the data has reached."""
    with ExitStack() as stack:
        stack.enter_context(listeners(service.port, others, folder / "seen"))
        browsers = [stack.enter_context(browsing()) for _ in range(chromiums)]
        for browser in browsers:
            browser.open(f"http://127.0.0.1:{service.port}/")
            browser.wait(".tile")
            browser.run(WATCH)
        sent_s: dict[str, float] = {}
        for i in range(rounds):
            # the data of a minute lets the tick before it close: lateness is a minute
            sent_s[rfc3339(start_us + i * MINUTE_US)] = time.time()
            gateway.send(list(minute(start_us + (i + 1) * MINUTE_US)))
            time.sleep(ROUND_S)
        time.sleep(2)
        drawn = [_drawn(browser, sent_s) for browser in browsers]
    seen = [line.split() for line in (folder / "seen").read_text().splitlines()] if others else []
    show(f"event read, {others} connections", [float(w) - sent_s[at] for at, w in seen if at in sent_s])
    show(f"frame drawn, {chromiums} Chromiums", [took for browser in drawn for took in browser])
    return start_us + (rounds + 1) * MINUTE_US


def _drawn(browser: Browser, sent_s: dict[str, float]) -> list[float]:
    found: dict[str, float] = browser.run("return window.seen")
    return [when - sent_s[at] for at, when in found.items() if at in sent_s]


def show(what: str, took_s: Sequence[float]) -> None:
    if not took_s:
        return
    ordered = sorted(took_s)
    p95 = ordered[int(0.95 * (len(ordered) - 1))]
    print(f"{what:34} {len(ordered):6} ticks  median {1000 * statistics.median(ordered):5.0f} ms"
          f"  95 % {1000 * p95:5.0f} ms  longest {1000 * ordered[-1]:5.0f} ms", flush=True)  # fmt: skip


def busy_s(service: Service) -> float:
    """Processor time of the service so far."""
    assert service.process is not None
    fields = Path(f"/proc/{service.process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def work_off(service: Service, gateway: Gateway, start_us: int) -> tuple[float, float]:
    """Samples a second of a backlog, by the wall clock and by the service's processor time."""
    messages = [m for i in range(0, FLOOD_MINUTES, 10) for m in minute(start_us + i * MINUTE_US, 10)]
    samples = GROUPS * VALVES * FLOOD_MINUTES * 60 // STEP_S
    before, began_s, began_busy_s = service.metric("hissmark_samples_total"), time.time(), busy_s(service)
    gateway.send(messages)
    until(lambda: service.metric("hissmark_samples_total") >= before + samples, "the backlog", 300)
    return samples / (time.time() - began_s), samples / (busy_s(service) - began_busy_s)


def cost(service: Service, gateway: Gateway, start_us: int, runs: int, count: int, folder: Path) -> None:
    """With and without pages in turns, so that neither has the quieter machine."""
    rates: dict[int, list[tuple[float, float]]] = {0: [], count: []}
    for _ in range(runs):
        for pages, found in rates.items():
            with listeners(service.port, pages, folder / "ignored"):
                found.append(work_off(service, gateway, start_us))
            start_us += FLOOD_MINUTES * MINUTE_US
    wall, busy = ([statistics.median(r[k] for r in found) for found in rates.values()] for k in (0, 1))
    for pages, w, b in zip(rates, wall, busy, strict=True):
        print(f"{pages:3} pages: {w:9,.0f} samples/s, {b:9,.0f} a second of the service's processor time")
    print(f"cost of {count} pages: {1 - wall[1] / wall[0]:.1%} by the wall clock, "
          f"{1 - busy[1] / busy[0]:.1%} of the service's processor time (wanted: at most 10 %)")  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    for name, usual in (("chromiums", 3), ("others", 47), ("rounds", 30), ("runs", 3)):
        parser.add_argument(f"--{name}", type=int, default=usual)
    asked = parser.parse_args()
    days = 3 + 2 * asked.runs * FLOOD_MINUTES / 1440
    start_us = int(time.time() - days * 86_400) // 3600 * 3600 * 1_000_000
    with tempfile.TemporaryDirectory() as temporary, ExitStack() as stack:
        folder = Path(temporary)
        broker = stack.enter_context(Broker(folder / "broker"))
        service = stack.enter_context(Service(write_site(folder / "site", broker, REGISTER)))
        service.start()
        gateway = Gateway(broker)
        gateway.send(list(minute(start_us, 20)))
        until(lambda: service.get("/api/v1/groups/rack%200")["at"], "the first tick")
        after_us = start_us + 18 * MINUTE_US
        after_us = latency(service, gateway, after_us, asked.rounds, asked.chromiums, asked.others, folder)
        cost(service, gateway, after_us, asked.runs, asked.chromiums + asked.others, folder)
        gateway.close()


if __name__ == "__main__":
    main()
