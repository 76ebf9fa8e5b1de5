# SPDX-License-Identifier: GPL-3.0-or-later
"""Every test of tests/boat fails when what it proves is broken, and no other about its subject.

Faults about different subjects are aboard at the same time, for one run of the suite. Where
that run finds anything else than what they break, each is tried by itself, and counts alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack

import pytest

from tests.support.boats import Virtual
from tests.system.faults import BATCHES, FAULTS
from tests.system.faults.fault import Fault, until
from tests.system.faults.instruments import settled


@pytest.fixture(scope="module", autouse=True)
def _grown(kittiwake: Virtual) -> None:
    """Wait until the boat has grown its data partition, a minute after its start."""
    kittiwake.ask("systemctl start boat-grow.service")


def without_link(test: str) -> str:
    """Return a test's name without what it was run for: one link stands for all."""
    return test.partition(" [")[0]


def unexpected(boat: Virtual, faults: Sequence[Fault]) -> dict[str, str]:
    """Return what fails that should not, and what does not fail that should, with the reason."""
    with ExitStack() as aboard:
        clubs = [aboard.enter_context(fault.aboard(boat)) for fault in faults]
        subjects = sorted({name for fault in faults for name in fault.subjects})
        club = next((club for club in clubs if club is not None), None)
        result = boat.verify(club, subjects=subjects)
    if result.error:
        return {"the suite": result.error}
    wanted = frozenset().union(*(fault.fails for fault in faults))
    failed = {f"{test.subject}: {test.test}": test.reason for test in result.failed}
    return {test: failed.get(test, "passed") for test in failed.keys() ^ wanted}


@pytest.mark.parametrize(
    "batch", BATCHES, ids=lambda batch: ", ".join(fault.name for fault in batch)
)
def test_seen_by_exactly_its_tests(kittiwake: Virtual, batch: list[Fault]) -> None:
    wrong = unexpected(kittiwake, batch)
    if wrong and len(batch) > 1:
        print(f"tried by themselves, since together: {wrong}")
        each = {fault.name: unexpected(kittiwake, [fault]) for fault in batch}
        wrong = {f"{name}: {test}": why for name in each for test, why in each[name].items()}
    assert wrong == {}


def test_all_is_well_again_and_every_test_has_failed_once(kittiwake: Virtual) -> None:
    """The suite itself tells which tests there are; a new one needs a fault, too.

    There are more in the faults, of what this boat has not: each was there to fail.
    """
    until(lambda: settled(kittiwake), "the instruments", seconds=180)
    result = kittiwake.verify()
    assert result.passed, result.summary()
    assert [test for test in result.tests if test.ending != "passed"] == []
    there = {without_link(f"{test.subject}: {test.test}") for test in result.tests}
    broken = {without_link(test) for fault in FAULTS for test in fault.fails}
    assert there <= broken
