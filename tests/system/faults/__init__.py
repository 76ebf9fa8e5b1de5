# SPDX-License-Identifier: GPL-3.0-or-later
"""Give every test of tests/boat at least one fault."""

from __future__ import annotations

from tests.system.faults import instruments, machine, network
from tests.system.faults.fault import Fault, batches

#: In the order in which they are written down.
FAULTS = [
    thing
    for subject in (network, instruments, machine)
    for thing in vars(subject).values()
    if isinstance(thing, Fault)
]

#: What is aboard at the same time. The last one ends with a start.
BATCHES = batches(FAULTS)
