# SPDX-License-Identifier: GPL-3.0-or-later
"""Programs that would take an instrument's line for a modem or a braille display are absent."""

from __future__ import annotations

import pytest

from provision.verify.job import Answers, Command, Job

GRABBERS = {"modemmanager": "/usr/sbin/ModemManager", "brltty": "/usr/bin/brltty"}


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    query = ["dpkg-query", "--show", "--showformat=${db:Status-Status}"]
    programs = {f"{name} program": ["test", "-e", path] for name, path in GRABBERS.items()}
    return programs | {f"{name} package": [*query, name] for name in GRABBERS}


@pytest.mark.parametrize("name", sorted(GRABBERS))
def test_nothing_grabs_the_lines(name: str, facts: Answers) -> None:
    """The program is not there, and neither is its package."""
    assert facts[f"{name} program"].status != 0, f"{GRABBERS[name]} is there"
    assert facts[f"{name} package"].output != "installed", f"{name} is installed"
