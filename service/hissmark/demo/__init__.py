"""`hissmark demo`: an invented plant, a broker of its own, and the whole service on top."""

from __future__ import annotations

from pathlib import Path


def run(
    port: int = 0, seed: int = 1, speed: float = 60.0, folder: Path | None = None, open_page: bool = True
) -> int:
    """Run the demo until Ctrl-C; returns the exit code. See `hissmark.demo.command.run`."""
    from hissmark.demo import command

    return command.run(port, seed, speed, folder, open_page)
