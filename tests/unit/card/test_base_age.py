# SPDX-License-Identifier: GPL-3.0-or-later
"""A base says how old its packages are, and that it is old from a half year on."""

from __future__ import annotations

import pytest

from provision.card.base.age import OLD_DAYS, count_days, describe_age, is_old, read_date

DAY = 86400
#: 2026-11-26 02:14:46 UTC.
BUILT = 1795659286


@pytest.mark.parametrize(
    ("days", "text"), [(0.9, "0 days old"), (1, "1 day old"), (2.5, "2 days old"), (-3, "0 days")]
)
def test_it_says_day_and_age(days: float, text: str) -> None:
    said = describe_age({"built": BUILT}, BUILT + days * DAY)
    assert said.startswith("packages of 2026-11-26, ")
    assert text in said


def test_it_is_old_after_the_limit_alone() -> None:
    assert not is_old(BUILT, BUILT + (OLD_DAYS + 0.9) * DAY)
    assert is_old(BUILT, BUILT + (OLD_DAYS + 1) * DAY)
    assert count_days(BUILT, BUILT + 400 * DAY) == 400


@pytest.mark.parametrize(
    "said", [None, "", "1795659286", True, 0, -5, 1e300, float("nan"), float("inf"), [], {}]
)
def test_a_date_that_a_boat_cannot_have_is_no_date(said: object) -> None:
    assert read_date({"built": said}) is None
    assert describe_age({"built": said}, BUILT) == "packages of an unknown date"
    assert read_date({}) is None
