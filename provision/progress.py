# SPDX-License-Identifier: GPL-3.0-or-later
"""Print long work as named steps, which nest and are timed.

    with step("Building the base"):
        with step("Configuring packages"):
            ...

Steps are printed on standard error, so that standard output stays the result's.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from rich.console import Console
from rich.text import Text

from provision.harmless import harmless

console = Console(stderr=True, highlight=False)
#: The console for results, beside the console for steps.
results = Console(highlight=False, soft_wrap=True)
#: Seconds of a wait of which nothing is said.
QUIET_S = 2.0
#: Seconds between two lines about a wait, where no terminal draws one line again and again.
LINE_S = 30.0
#: Seconds after which a terminal draws the line again.
REDRAW_S = 0.5

#: Held while a line about a wait is shown.
_screen = threading.Lock()

_depth: ContextVar[int] = ContextVar("depth", default=0)


@contextmanager
def step(title: str) -> Iterator[Callable[[str], None]]:
    """Print a step's title, and its result and seconds when the block ends.

    Yield a function that takes how far it is, as `wait` does.
    """
    depth = _depth.get()
    token = _depth.set(depth + 1)
    start = time.monotonic()
    indent = "  " * depth
    title = harmless(title)
    console.print(f"{indent}{title} ...", markup=False, soft_wrap=True)
    try:
        with _shown(_Line(f"{indent}{title}", begun=True)) as report:
            yield report
    except BaseException:
        console.print(f"{indent}{title}: failed", style="red", markup=False)
        raise
    finally:
        _depth.reset(token)
    console.print(f"{indent}{title}: {time.monotonic() - start:.1f} s", style="dim", markup=False)


def note(text: str) -> None:
    """Print a line under the step that runs."""
    # A command in it is to be copied whole: the terminal alone wraps.
    console.print("  " * _depth.get() + harmless(text), markup=False, soft_wrap=True)


@contextmanager
def wait(title: str) -> Iterator[Callable[[str], None]]:
    """Show what a block waits for, once that takes longer than `QUIET_S`, and how far it is.

    Yield a function that takes how far it is, such as `57 of 183 packages`. A terminal has one
    line, which is gone at the end. Elsewhere a line is printed every `LINE_S` seconds.
    """
    with _shown(_Line("  " * _depth.get() + harmless(title))) as report:
        yield report


class Awaited:
    """Names those that a wait is still for. Threads may take them off side by side."""

    #: Names in the line at most.
    MAX_NAMES = 3

    def __init__(self, names: Iterable[str], report: Callable[[str], None]) -> None:
        self._names = list(names)
        self._count = len(self._names)
        self._report = report
        self._lock = threading.Lock()
        self._tell()

    def take_off(self, name: str) -> None:
        """Count one that the wait is no longer for."""
        with self._lock:
            self._names.remove(name)
            self._tell()

    def _tell(self) -> None:
        left = ", ".join(self._names[: self.MAX_NAMES])
        more = " ..." if len(self._names) > self.MAX_NAMES else ""
        done = self._count - len(self._names)
        self._report(f"{done} of {self._count}, waiting for {left}{more}" if left else "all done")


class _Line:
    """Holds the line about a wait. Of one that has `begun`, the title is printed already."""

    def __init__(self, title: str, *, begun: bool = False) -> None:
        self._title = title
        self._far = ""
        self._start = time.monotonic()
        self._begun = begun

    def update(self, far: str) -> None:
        self._far = harmless(far)

    @property
    def is_news(self) -> bool:
        """Tell if the line says more than what was printed when the wait began."""
        return bool(self._far) or not self._begun

    def __str__(self) -> str:
        far = f": {self._far}" if self._far else ""
        return f"{self._title}{far}, {time.monotonic() - self._start:.0f} s"


@contextmanager
def _shown(line: _Line) -> Iterator[Callable[[str], None]]:
    """Show the line while the block runs. Within a line that is shown, none is."""
    ended = threading.Event()
    shower = threading.Thread(target=_show, args=(line, ended), daemon=True)
    shower.start()
    try:
        yield line.update
    finally:
        ended.set()
        shower.join()


def _show(line: _Line, ended: threading.Event) -> None:
    if ended.wait(QUIET_S) or not _screen.acquire(blocking=False):
        return
    try:
        if console.is_terminal and not console.is_dumb_terminal:
            _redraw(line, ended)
        else:
            _print_now_and_then(line, ended)
    finally:
        _screen.release()


def _print_now_and_then(line: _Line, ended: threading.Event) -> None:
    while True:
        if line.is_news:
            console.print(str(line), markup=False, soft_wrap=True)
        if ended.wait(LINE_S):
            return


def _redraw(line: _Line, ended: threading.Event) -> None:
    # Here, so that only a long wait loads them.
    from rich.live import Live  # noqa: PLC0415
    from rich.spinner import Spinner  # noqa: PLC0415

    spinner = Spinner("dots", style="status.spinner")
    # What the block prints as its result stays on standard output.
    live = Live(spinner, console=console, transient=True, redirect_stdout=False)
    with live:
        while True:
            text = Text(str(line))
            # The spinner takes two columns.
            text.truncate(console.width - 2, overflow="ellipsis")
            spinner.update(text=text)
            if ended.wait(REDRAW_S):
                return
