# SPDX-License-Identifier: GPL-3.0-or-later
"""Choose the size of a sheet's type, so that it fits on one page."""

from __future__ import annotations

from collections.abc import Callable

from provision.paper.pages import Paper
from provision.paper.wiring import Wiring

#: Sizes in pt from the best to read to the smallest that one page is worth. Smaller type is
#: hard to read by the light of a chart table (common practice).
SIZES_PT = tuple(round(11 - 0.2 * step, 1) for step in range(15))

#: From so many rows on, a row of the drawing takes one line of type and not two.
DENSE_ROWS = 9

#: So many rows fit on one page at the smallest size, on any paper (measured).
ONE_PAGE_ROWS = 17


def count_rows(wiring: Wiring) -> int:
    """Return how many rows the drawing has, without the supply."""
    return len(wiring.lines) + len(wiring.hubs) + len(wiring.devices)


def find_size(fits: Callable[[float], bool]) -> float | None:
    """Return the largest size in pt that fits. None if the smallest does not.

    What fits at one size is taken to fit at each smaller one.
    """
    low, high = 0, len(SIZES_PT)
    while low < high:
        middle = (low + high) // 2
        if fits(SIZES_PT[middle]):
            high = middle
        else:
            low = middle + 1
    return SIZES_PT[low] if low < len(SIZES_PT) else None


def estimate(rows: int, paper: Paper) -> float | None:
    """Return about the size that `find_size` finds, where no layout program is at hand.

    It is the smaller one where boats with so many rows differ (measured with 1 to 17 rows).
    """
    if rows > ONE_PAGE_ROWS:
        return None
    size = 11 - (0.17 if paper is Paper.A4 else 0.25) * (rows - 1)
    return next((one for one in SIZES_PT if one <= size), SIZES_PT[-1])
