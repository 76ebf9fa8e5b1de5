# SPDX-License-Identifier: GPL-3.0-or-later
"""Print long work as named steps, which nest and are timed.

    with step("Building the base"):
        with step("Configuring packages"):
            ...

Steps are printed on standard error, so that standard output stays the result's.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar

from rich.console import Console

from provision.harmless import harmless

console = Console(stderr=True, highlight=False)
#: The console for results, beside the console for steps.
results = Console(highlight=False, soft_wrap=True)
_depth: ContextVar[int] = ContextVar("depth", default=0)


@contextmanager
def step(title: str) -> Iterator[None]:
    """Print a step's title, and its result and seconds when the block ends."""
    depth = _depth.get()
    token = _depth.set(depth + 1)
    start = time.monotonic()
    indent = "  " * depth
    title = harmless(title)
    console.print(f"{indent}{title} ...", markup=False, soft_wrap=True)
    try:
        yield
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
