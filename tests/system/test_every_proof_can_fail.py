# SPDX-License-Identifier: GPL-3.0-or-later
"""Every test of tests/boat fails when what it proves is broken, and no other about its subject."""

from __future__ import annotations

import pytest

from tests.system.boats import Virtual
from tests.system.breakages import BREAKAGES
from tests.system.breakages.breakage import Breakage, until
from tests.system.breakages.instruments import settled


def without_link(test: str) -> str:
    """A test's name without what it was run for: one link stands for all."""
    return test.partition(" [")[0]


@pytest.mark.parametrize("breakage", BREAKAGES, ids=lambda breakage: breakage.name)
def test_seen_by_exactly_its_tests(kittiwake: Virtual, breakage: Breakage) -> None:
    with breakage.aboard(kittiwake) as club:
        result = kittiwake.verify(club, subjects=breakage.subjects)
    assert result.error == ""
    failed = {f"{test.subject}: {test.test}": test.reason for test in result.failed}
    assert failed.keys() == breakage.fails, failed


def test_all_is_well_again_and_every_test_has_failed_once(kittiwake: Virtual) -> None:
    """The suite itself tells which tests there are; a new one needs a breakage, too.

    There are more in the breakages, of what this boat has not: each was there to fail.
    """
    until(lambda: settled(kittiwake), "the instruments", seconds=180)
    result = kittiwake.verify()
    assert result.well, result.summary()
    assert [test for test in result.tests if test.ending != "passed"] == []
    there = {without_link(f"{test.subject}: {test.test}") for test in result.tests}
    broken = {without_link(test) for breakage in BREAKAGES for test in breakage.fails}
    assert there <= broken
