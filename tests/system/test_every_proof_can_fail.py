# SPDX-License-Identifier: GPL-3.0-or-later
"""Every test of tests/boat fails when what it proves is broken, and no other about its subject.

Breakages about different subjects are aboard at the same time, for one run of the suite. Where
that run finds anything else than what they break, each is tried by itself, and counts alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack

import pytest

from tests.support.boats import Virtual
from tests.system.breakages import BATCHES, BREAKAGES
from tests.system.breakages.breakage import Breakage, until
from tests.system.breakages.instruments import settled


@pytest.fixture(scope="module", autouse=True)
def _grown(kittiwake: Virtual) -> None:
    """A minute after its start the boat grows its data partition, which must not be broken then."""
    kittiwake.ask("systemctl start boat-grow.service")


def without_link(test: str) -> str:
    """A test's name without what it was run for: one link stands for all."""
    return test.partition(" [")[0]


def unexpected(boat: Virtual, breakages: Sequence[Breakage]) -> dict[str, str]:
    """What fails that should not, and what does not fail that should, with the reason."""
    with ExitStack() as aboard:
        clubs = [aboard.enter_context(breakage.aboard(boat)) for breakage in breakages]
        subjects = sorted({name for breakage in breakages for name in breakage.subjects})
        club = next((club for club in clubs if club is not None), None)
        result = boat.verify(club, subjects=subjects)
    if result.error:
        return {"the suite": result.error}
    wanted = frozenset().union(*(breakage.fails for breakage in breakages))
    failed = {f"{test.subject}: {test.test}": test.reason for test in result.failed}
    return {test: failed.get(test, "passed") for test in failed.keys() ^ wanted}


@pytest.mark.parametrize(
    "batch", BATCHES, ids=lambda batch: ", ".join(breakage.name for breakage in batch)
)
def test_seen_by_exactly_its_tests(kittiwake: Virtual, batch: list[Breakage]) -> None:
    wrong = unexpected(kittiwake, batch)
    if wrong and len(batch) > 1:
        print(f"tried by themselves, since together: {wrong}")
        each = {breakage.name: unexpected(kittiwake, [breakage]) for breakage in batch}
        wrong = {f"{name}: {test}": why for name in each for test, why in each[name].items()}
    assert wrong == {}


def test_all_is_well_again_and_every_test_has_failed_once(kittiwake: Virtual) -> None:
    """The suite itself tells which tests there are; a new one needs a breakage, too.

    There are more in the breakages, of what this boat has not: each was there to fail.
    """
    until(lambda: settled(kittiwake), "the instruments", seconds=180)
    result = kittiwake.verify()
    assert result.passed, result.summary()
    assert [test for test in result.tests if test.ending != "passed"] == []
    there = {without_link(f"{test.subject}: {test.test}") for test in result.tests}
    broken = {without_link(test) for breakage in BREAKAGES for test in breakage.fails}
    assert there <= broken
