# SPDX-License-Identifier: GPL-3.0-or-later
"""A command says once, and without a traceback, that standard output cannot be written."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.parametrize(
    "words",
    [
        ["check", "dunlin"],
        ["check", "dunlin", "--json"],
        ["fleet", "--json"],
        ["check", "none", "--json"],
        ["schema"],
        ["--version"],
    ],
    ids=" ".join,
)
@pytest.mark.parametrize("unbuffered", ["", "1"])
def test_a_full_disk_under_the_result(boats: Path, words: list[str], unbuffered: str) -> None:
    more = ["--boats", str(boats)] if words[0] in ("check", "fleet") else []
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "provision", *words, *more],
            env=os.environ | {"PYTHONUNBUFFERED": unbuffered},
            stdout=full,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
        )
    assert done.returncode == 2
    assert "standard output cannot be written: No space left on device" in done.stderr
    assert done.stderr.count("provision: ") == 1
    assert "Traceback" not in done.stderr and "TMPDIR" not in done.stderr


def test_a_reader_that_has_enough() -> None:
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "provision", "schema"],
        stdout=writing,
        stderr=subprocess.PIPE,
        text=True,
        check=False,
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (1, "")


def test_an_output_that_is_closed(boats: Path) -> None:
    """The shell's `>&-`: a command runs for its exit status."""
    script = '"$1" -m provision check dunlin --boats "$2" >&-'
    done = subprocess.run(
        ["sh", "-c", script, "sh", sys.executable, str(boats)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, "")
