# SPDX-License-Identifier: GPL-3.0-or-later
"""Show how far the work on a card is, how fast it goes, and how long it will still take."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from enum import Enum

from rich.console import Console
from rich.progress import (
    BarColumn,
    DownloadColumn,
    Progress,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)


class Phase(Enum):
    """Name the step of the work on the card. The value is its name for people."""

    WRITE = "Writing"
    READ_BACK = "Reading back"


#: Called with the phase, the bytes done in it, and its total in bytes.
ReportProgress = Callable[[Phase, int, int], None]


@contextmanager
def progress_bars(console: Console) -> Iterator[ReportProgress]:
    """Show progress bars for `write_card`, with bytes, speed and the time that is left."""
    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        DownloadColumn(),
        TransferSpeedColumn(),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=console) as shown:
        tasks = {phase: shown.add_task(phase.value, start=False, total=None) for phase in Phase}

        def report(phase: Phase, done: int, total: int) -> None:
            shown.start_task(tasks[phase])
            shown.update(tasks[phase], completed=done, total=total)

        yield report
