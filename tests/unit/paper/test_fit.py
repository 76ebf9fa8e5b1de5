# SPDX-License-Identifier: GPL-3.0-or-later
"""A sheet's type is as large as one page allows."""

from __future__ import annotations

import pytest

from provision.paper import Paper, fit


@pytest.mark.parametrize("largest", fit.SIZES_PT)
def test_the_largest_size_that_fits_is_found(largest: float) -> None:
    assert fit.find_size(lambda size: size <= largest) == largest


def test_what_fits_at_no_size_has_none() -> None:
    assert fit.find_size(lambda _: False) is None


def test_few_layouts_are_tried() -> None:
    tried: list[float] = []

    def fits(size: float) -> bool:
        tried.append(size)
        return size < 9

    fit.find_size(fits)
    assert len(tried) <= 4


def test_sizes_are_from_11_to_8_point_2() -> None:
    assert (fit.SIZES_PT[0], fit.SIZES_PT[-1]) == (11, 8.2)
    assert list(fit.SIZES_PT) == sorted(fit.SIZES_PT, reverse=True)


@pytest.mark.parametrize("paper", Paper)
def test_the_estimate_shrinks_with_the_rows_until_one_page_is_too_small(paper: Paper) -> None:
    sizes = [fit.estimate(rows, paper) for rows in range(1, 40)]
    one_page = [size for size in sizes if size is not None]
    assert one_page == sorted(one_page, reverse=True)
    assert one_page[0] == 11 and len(one_page) >= 15
    assert sizes[len(one_page) :] == [None] * (39 - len(one_page))
