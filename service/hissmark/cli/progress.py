"""A progress bar that several commands share."""

from __future__ import annotations


class Bar:
    """On stderr; silent where nobody looks."""

    def __enter__(self) -> Bar:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskID, TextColumn, TimeRemainingColumn

        console = Console(stderr=True)
        columns = (
            TextColumn("{task.description:8}"),
            BarColumn(),
            TextColumn("{task.fields[rows]}"),
            TimeRemainingColumn(),
        )
        self._progress = Progress(*columns, console=console, disable=not console.is_terminal, transient=True)
        self._tasks: dict[str, TaskID] = {}
        self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def show(self, stage: str, done: int, total: int | None) -> None:
        """Show the stage, rows done, rows in all if known."""
        if stage not in self._tasks:
            self._tasks[stage] = self._progress.add_task(stage, total=total, rows="")
        self._progress.update(self._tasks[stage], completed=done, total=total, rows=f"{done:,} rows")
