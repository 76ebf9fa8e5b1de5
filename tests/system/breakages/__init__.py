# SPDX-License-Identifier: GPL-3.0-or-later
"""One breakage or more for every test of tests/boat."""

from __future__ import annotations

from tests.system.breakages import instruments, machine, network
from tests.system.breakages.breakage import Breakage, batches

#: In the order in which they are written down.
BREAKAGES = [
    thing
    for subject in (network, instruments, machine)
    for thing in vars(subject).values()
    if isinstance(thing, Breakage)
]

#: What is aboard at the same time. The last one ends with a start.
BATCHES = batches(BREAKAGES)
