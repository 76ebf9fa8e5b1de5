# SPDX-License-Identifier: GPL-3.0-or-later
"""Write a command's result as a page, also when the command fails: `--report`."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import COULD_NOT_RUN
from provision.errors import UserError
from provision.harmless import harmless

if TYPE_CHECKING:
    from provision.report.page import Page

Report = Annotated[
    Path | None,
    typer.Option(
        "--report",
        metavar="FILE.html",
        help="Write the result as a page, too: to read, to print, to send on.",
        readable=False,
    ),
]

#: Takes what makes the page of a result, which is called only where a report is asked for.
Hold = Callable[[Callable[[], "Page"]], None]


@contextmanager
def reporting(path: Path | None, kind: str) -> Iterator[Hold]:
    """Write to `path` the page that the block holds, or why it holds none. `kind` titles that.

    The block's exit status stays as it is, unless it is 0 and the report cannot be written. Raise
    UserError before the block begins when no report can be written at `path`.
    """
    if path is None:
        yield lambda make: None
        return
    # Here, so that a command without a report does not wait for the templates.
    from provision.report.contents.failure import ended_page, failed_page
    from provision.report.file import ReportFile
    from provision.report.html import write_html

    file, start, held = ReportFile(path), time.time(), list["Page"]()

    def write(page: Page) -> bool:
        try:
            file.write(write_html(page, start, time.time()))
        except UserError as error:
            # The result is printed already: as JSON, it has to stay one document.
            print(f"provision: {harmless(str(error))}", file=sys.stderr)
            return False
        return True

    written = False
    try:
        yield lambda make: held.append(make())
    except typer.Exit:
        raise
    except UserError as error:
        held = held or [failed_page(kind, error)]
        raise
    except BaseException as error:
        reason = "Ctrl-C stopped it" if isinstance(error, KeyboardInterrupt) else "it was ended"
        action = "Begin again. `provision fleet` shows how the boats are."
        held = held or [ended_page(kind, reason, action)]
        raise
    finally:
        written = bool(held) and write(held[-1])
        file.close()
    if not written:
        raise typer.Exit(COULD_NOT_RUN)
