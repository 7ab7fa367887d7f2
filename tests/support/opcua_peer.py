"""An OPC UA client of another making (node-opcua, from npm), for checks against more than asyncua's own.

`tests/run` installs it where npm is at hand; `HISSMARK_OPCUA_PEER` names its folder otherwise.
"""

from __future__ import annotations

import json
import os
import queue
import shutil
import subprocess
import threading
from pathlib import Path
from typing import Any

import pytest

SCRIPT = Path(__file__).parent.parent / "opcua" / "peer.js"
PATIENCE_S = 60.0


def need_peer() -> Path:
    """The library's folder; skips the test where it is not installed."""
    folder = os.environ.get("HISSMARK_OPCUA_PEER", "")
    if not folder or not Path(folder).is_dir() or shutil.which("node") is None:
        pytest.skip("node-opcua-client is not installed (tests/run does it where npm is at hand)")
    return Path(folder)


class Peer:
    """One client process. `ask` raises AssertionError with what it says went wrong."""

    def __init__(self, library: Path) -> None:
        self._process = subprocess.Popen(
            ["node", "--no-deprecation", str(SCRIPT), str(library)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        self._answers: queue.Queue[dict[str, Any]] = queue.Queue()
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:  # the library chatters there too
            if line.startswith("answer "):
                self._answers.put(json.loads(line[7:]))

    def ask(self, what: str, **details: Any) -> Any:
        assert self._process.stdin is not None
        self._process.stdin.write(json.dumps({"ask": what, **details}) + "\n")
        self._process.stdin.flush()
        answer = self._answers.get(timeout=PATIENCE_S)
        assert "failed" not in answer, f"{what}: {answer['failed']}"
        return answer["done"]

    def close(self) -> None:
        try:
            self.ask("close")
            self._process.wait(10)
        finally:
            self._process.kill()
            self._process.wait()
