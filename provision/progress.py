# SPDX-License-Identifier: GPL-3.0-or-later
"""Long work in named steps: they nest, and their times come free.

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
#: Where results go, as opposed to how the work comes along.
results = Console(highlight=False, soft_wrap=True)
_depth: ContextVar[int] = ContextVar("depth", default=0)


@contextmanager
def step(title: str) -> Iterator[None]:
    """Name a piece of work; when it ends, say how it went and how long it took."""
    depth = _depth.get()
    token = _depth.set(depth + 1)
    start = time.monotonic()
    indent = "  " * depth
    title = harmless(title)
    console.print(f"{indent}{title} ...", markup=False)
    try:
        yield
    except BaseException:
        console.print(f"{indent}{title}: failed", style="red", markup=False)
        raise
    finally:
        _depth.reset(token)
    console.print(f"{indent}{title}: {time.monotonic() - start:.1f} s", style="dim", markup=False)


def note(text: str) -> None:
    """Say something under the step that runs."""
    console.print("  " * _depth.get() + harmless(text), markup=False)
