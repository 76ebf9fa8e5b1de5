# SPDX-License-Identifier: GPL-3.0-or-later
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.policy.rate_limit import RateLimit


@pytest.mark.parametrize("rate", [0.5, 1.0, 2.0, 10.0])
def test_more_than_the_rate_is_thinned_out_to_it(rate: float) -> None:
    pace = RateLimit({"DPT": rate})
    passed = sum(pace.passes("DPT", 100 + n / 50) for n in range(5000))
    assert passed == pytest.approx(100 * rate, abs=2)


def test_jitter_loses_nothing() -> None:
    pace = RateLimit({"MTW": 1.0})
    jitter = [0, 0.3, -0.3, 0.2, -0.2, 0.3, -0.3, 0.1, 0, 0] * 10
    assert all(pace.passes("MTW", 100 + n + late) for n, late in enumerate(jitter))


def test_formatters_do_not_share_their_rates() -> None:
    pace = RateLimit({"DPT": 1.0, "MTW": 1.0})
    assert pace.passes("DPT", 1.0) and pace.passes("MTW", 1.0)


@given(st.lists(st.floats(0, 3), max_size=100))
def test_never_more_than_the_rate_and_two_at_once(gaps: list[float]) -> None:
    pace = RateLimit({"DPT": 2.0})
    now, passed = 100.0, []
    for gap in gaps:
        now += gap
        if pace.passes("DPT", now):
            passed.append(now)
    for first, begin in enumerate(passed):
        for last in range(first, len(passed)):
            assert last - first + 1 <= 2.0 * (passed[last] - begin) + 2 + 1e-6
