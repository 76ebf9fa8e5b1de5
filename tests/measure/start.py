# SPDX-License-Identifier: GPL-3.0-or-later
"""Measure how soon a command starts, against Python that imports a reader of YAML.

    python -m tests.measure.start

Processor time, since other work on the machine changes it least. The median of twenty runs, taken
in turns. Python's compiled files are there, as behind an installation or a first run.
"""

from __future__ import annotations

import os
import resource
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

from provision.profile.scaffold import create_club
from tests.measure.figures import Ratio

RUNS = 20

#: The ratio not to exceed.
AIM = 2.5

THEIRS = ("-c", "import yaml")


def keep_compiled() -> dict[str, str]:
    """Return an environment in which Python keeps what it compiles."""
    return {name: one for name, one in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}


def processor_ms(*words: str) -> float:
    """Run Python with these words, and return its processor time in ms."""
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    subprocess.run(
        [sys.executable, *words], env=keep_compiled(), stdout=subprocess.DEVNULL, check=True
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    return 1000 * (after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)


def main() -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory(prefix="measure-start-") as work:
        create_club(Path(work) / "boats")
        ours = {
            "provision --help": ("--help",),
            "provision check --help": ("check", "--help"),
            "provision check kittiwake": ("check", "kittiwake", "--boats", f"{work}/boats"),
        }
        commands = {name: ("-m", "provision", *words) for name, words in ours.items()}
        commands[""] = THEIRS
        for words in commands.values():
            processor_ms(*words)
        taken: dict[str, list[float]] = {name: [] for name in commands}
        for _ in range(RUNS):
            for name, words in commands.items():
                taken[name].append(processor_ms(*words))
    theirs = statistics.median(taken.pop(""))
    for name, found in taken.items():
        what = f"processor time of `{name}` / of `python {THEIRS[0]} '{THEIRS[1]}'`"
        print(Ratio(what, statistics.median(found), theirs, AIM, "ms").line())


if __name__ == "__main__":
    main()
