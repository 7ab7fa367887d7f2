"""Says on the terminal what happens in the invented plant and what the service makes of it."""

from __future__ import annotations

from rich.console import Console

from hissmark.demo.story import Story
from hissmark.publish.sentences import journal_sentence
from hissmark.publish.times import clock_time
from hissmark.store.reader import Reader


class Narrator:
    """Prints each event once: what the plant does (known to the demo only), and the alarm journal."""

    def __init__(self, console: Console, story: Story, reader: Reader) -> None:
        self._console = console
        self._reader = reader
        self._told_us = 0
        self._seq = max((row.seq for row in reader.journal(before_seq=2**62, limit=1)), default=0)
        self._events = sorted(
            [(leak.start_us, f"{leak.valve} begins to leak") for leak in story.leaks]
            + [(leak.end_us, f"{leak.valve} is repaired") for leak in story.leaks]
        )

    def tell(self, now_us: int) -> None:
        """Everything since the last call."""
        for at_us, what in self._events:
            if self._told_us < at_us <= now_us:
                self._say(f"{clock_time(at_us)}  in the plant:  {what}")
        self._told_us = now_us
        for row in self._reader.journal(after_seq=self._seq, limit=100):
            self._seq = row.seq
            self._say(f"{clock_time(row.entry.at_us)}  [bold]hissmark:[/]      {journal_sentence(row.entry)}")

    def _say(self, line: str) -> None:
        self._console.print(line, soft_wrap=True)
