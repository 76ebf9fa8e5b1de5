# SPDX-License-Identifier: GPL-3.0-or-later
"""Define faults: something wrong aboard, and the tests of tests/boat that must see it."""

from __future__ import annotations

import tempfile
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.support.boats import Club, Virtual
from tests.support.profiles import change

#: Breaks the boat, yields, and repairs it. Where the boat itself cannot be broken, it yields
#: a club in which other things are wanted of the boat than those that it is right in.
Act = Callable[[Virtual], Iterator[Club | None]]


@dataclass(frozen=True)
class Fault:
    """`fails` names tests as a report does, such as "devices: adapter [gnss]".

    `alone` says that no other fault can be aboard at the same time: it changes what is
    wanted of the boat, her clock, or the floor that the others stand on.
    """

    name: str
    fails: frozenset[str]
    act: Act
    alone: bool = False

    @property
    def subjects(self) -> list[str]:
        """The files of tests/boat that must see it."""
        return sorted({test.partition(":")[0] for test in self.fails})

    @contextmanager
    def aboard(self, boat: Virtual) -> Iterator[Club | None]:
        """For as long as this lasts, the boat is broken; it is repaired whatever happens."""
        steps = self.act(boat)
        club = next(steps)
        try:
            yield club
        finally:
            next(steps, None)


def fails(*tests: str, alone: bool = False) -> Callable[[Act], Fault]:
    """Make a fault of a function: exactly these tests of their files are to fail."""

    def make(act: Act) -> Fault:
        return Fault(act.__name__.replace("_", " "), frozenset(tests), act, alone)

    return make


def batches(faults: Sequence[Fault]) -> list[list[Fault]]:
    """Put together what can be aboard at the same time: faults about different subjects.

    Each goes into the first batch that has room for it; those that must be alone come last,
    in their order.
    """
    shared: list[list[Fault]] = []
    for fault in faults:
        if fault.alone:
            continue
        for batch in shared:
            if not any(set(fault.subjects) & set(other.subjects) for other in batch):
                batch.append(fault)
                break
        else:
            shared.append([fault])
    return [*shared, *([fault] for fault in faults if fault.alone)]


@contextmanager
def wanted_otherwise(boat: Virtual, old: str, new: str) -> Iterator[Club]:
    """A club whose profile of this boat says something else, which was never pushed."""
    with tempfile.TemporaryDirectory() as folder:
        club = boat.club.copy(Path(folder) / "boats")
        change(club.folder / f"{boat.name}.yml", (old, new))
        yield club


def until(true: Callable[[], bool], what: str, seconds: float = 60) -> None:
    """Wait; AssertionError when it does not come true in time."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"waited {seconds:.0f} s for {what}"
        time.sleep(0.2)
