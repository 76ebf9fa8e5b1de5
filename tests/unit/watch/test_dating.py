# SPDX-License-Identifier: GPL-3.0-or-later
"""Samples from before the clock was right get their right place once it is."""

from __future__ import annotations

import pytest

from provision.onboard.watch.memory.boots import Boot, place
from provision.onboard.watch.memory.history import DAY_S
from tests.support.watch.past import NOON, answer, history, sample


def boot(offset: float, lasted: int, *, sure: bool = False) -> Boot:
    return Boot(f"at {offset}", offset, sure=sure, lasted=lasted)


def test_the_first_fix_dates_the_whole_start() -> None:
    """The start guessed a time a year back. All of its samples move with the clock."""
    made = history(30, sure=False)
    made.present.offset = NOON - 365 * DAY_S
    earlier = made.recall(Boot("earlier", NOON - 3 * 3600, sure=True, lost_power=False))
    hour = made.hour("earlier", 0)
    hour.put(0, sample({"gnss": "s"}))
    earlier.lasted = hour.last()
    made.present.date(NOON, sure=True)
    told = answer(made, 30)
    missed = told["day"]["links"]["gnss"]
    # Three hours and thirty minutes ago: 21 bins of ten minutes.
    assert missed[-21] == 1 and sum(count for count in missed if count) == 1
    assert told["clock"] == "sure"


def test_a_sure_date_is_not_undone_by_a_later_doubt() -> None:
    one = boot(1000.0, 0)
    one.date(2000.0, sure=False)
    assert one.offset == 2000.0
    one.date(3000.0, sure=True)
    one.date(9000.0, sure=False)
    assert (one.offset, one.sure) == (3000.0, True)


@pytest.mark.parametrize(
    ("boots", "placed"),
    [
        # In order already.
        ([boot(0, 50, sure=True), boot(100, 50), boot(200, 50, sure=True)], [0, 100, 200]),
        # A guess before the end of the start before.
        ([boot(1000, 50, sure=True), boot(0, 10), boot(2000, 9, sure=True)], [1000, 1050, 2000]),
        # A guess after the next start.
        ([boot(0, 50, sure=True), boot(5000, 10), boot(200, 9, sure=True)], [0, 190, 200]),
        # The present start does not know the time, and seems to lie in the past.
        ([boot(1000, 50, sure=True), boot(0, 10)], [1000, 1050]),
    ],
)
def test_a_guess_never_changes_the_order(boots: list[Boot], placed: list[float]) -> None:
    assert place(boots) == placed


def test_an_unsure_clock_is_said() -> None:
    assert answer(history(5, sure=False), 5)["clock"] == "not sure"
