# SPDX-License-Identifier: GPL-3.0-or-later
"""Say where the reader is, and the next step, when `provision` is called alone."""

from __future__ import annotations

import textwrap
from pathlib import Path

from provision.harmless import harmless
from provision.paths import BOATS

#: Columns of the lines that are no command: a terminal of 80 shows them whole.
_WIDTH = 80


def show_where() -> None:
    """Print the boats that are here, what they lack, and the command that comes next."""
    from provision.profile import load
    from provision.push.records.next_step import find_next_step

    for boats in (BOATS, Path()):
        if profiles := load.list_profiles(boats):
            step = find_next_step(profiles, boats)
            _show(_describe(profiles, boats), step.lacks, next=step.command)
            return
    _show(
        "there is no boat here, neither in this folder nor in ./boats", next="provision init boats"
    )


def _describe(profiles: list[Path], boats: Path) -> str:
    where = "here" if boats == Path() else f"in ./{boats}"
    if len(profiles) == 1:
        return f"1 boat {where}, {profiles[0].stem}"
    return f"{len(profiles)} boats {where}"


def _show(*lines: str, next: str) -> None:
    for line in lines:
        print(textwrap.fill(harmless(line), _WIDTH, subsequent_indent="  "))
    print(harmless(f"next: {next}"))
    print("all commands: provision --help")
