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
    TaskID,
    TextColumn,
    TimeRemainingColumn,
    TransferSpeedColumn,
)


class Phase(Enum):
    """Name the step of the work on the card. The value is its name for people."""

    TEST_SIZE = "Testing the size"
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
        tasks: dict[Phase, TaskID] = {}

        def report(phase: Phase, done: int, total: int) -> None:
            if phase not in tasks:
                tasks[phase] = shown.add_task(phase.value, total=total)
            shown.update(tasks[phase], completed=done)

        yield report
