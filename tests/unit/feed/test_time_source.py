# SPDX-License-Identifier: GPL-3.0-or-later
from datetime import UTC, datetime
from typing import Any

import pynmea2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.feed.nmea0183.sentence import make
from provision.onboard.feed.outputs import agreement
from provision.onboard.feed.outputs.time_source import rmc_time, zda_time
from tests.support.feed.chrony_socket import rmc


def zda(at: float) -> str:
    moment = datetime.fromtimestamp(at, UTC)
    return f"$GPZDA,{moment:%H%M%S}.00,{moment:%d,%m,%Y},00,00"


def test_times_agree_with_pynmea2() -> None:
    at = 1795616691.25
    for body, told in ((rmc(at), rmc_time), (zda(at), zda_time)):
        sentence = make(body, origin="gnss", heard=0)
        parsed: Any = pynmea2.parse(sentence.raw.decode(), check=True)
        theirs = datetime.combine(
            parsed.datestamp, parsed.timestamp.replace(tzinfo=None), tzinfo=UTC
        )
        assert told(sentence.fields) == theirs.timestamp()


@pytest.mark.parametrize(
    "fields",
    [
        "142451.50,V,5057.970,N,00146.110,E,0.0,,251126,,,N",
        "142451.50,A,5057.970,N,00146.110,E,0.0,,,,,A",
        "142451.50,A,5057.970,N,00146.110,E,0.0,,251126,,,S",
        "142451.50,A,5057.970,N,00146.110,E,0.0,,251126,,,E",
        "142451.50,A,5057.970,N,00146.110,E,0.0,,310226,,,A",
        "252451.50,A,5057.970,N,00146.110,E,0.0,,251126,,,A",
        ",A,5057.970,N,00146.110,E,0.0,,251126,,,A",
        "142451,A",
        "142451.5x,A,5057.970,N,00146.110,E,0.0,,251126,,,A",
        "142451.50,A,5057.970,N,00146.110,E,0.0,,25-126,,,A",
    ],
)
def test_void_and_broken_fixes_tell_no_time(fields: str) -> None:
    assert rmc_time(fields.split(",")) is None


@given(
    st.lists(
        st.tuples(
            st.sampled_from(["gnss", "spare", "other"]),
            st.sampled_from([0, 0.5, -4, 3600, 86400]),
            st.sampled_from([0, 0.1, 1, 9, 30, 4000]),
        ),
        max_size=80,
    )
)
def test_none_is_right_that_does_not_tell_the_time_now(
    said: list[tuple[str, float, float]],
) -> None:
    """Of any three links, the right ones agree with each other or with the clock."""
    told, now = agreement.Agreement(["gnss", "spare", "other"]), 100.0
    for link, difference, passes in said:
        now += passes
        run = told.hear(link, difference, now)
        steady = told.steady(now)
        right = told.right(steady, now) if steady else []
        assert set(right) <= set(steady)
        differences = [told.runs[link].difference for link in right]
        assert not right or max(differences) - min(differences) <= 2 * agreement.LATENCY_S
        if link in right and told.is_backed(link, 1e9, now):
            told.take(run.difference)


@given(st.lists(st.text(alphabet="0123456789.,AVNEW-+eE_ ", max_size=40), max_size=8))
def test_no_fields_end_the_clock(fields: list[str]) -> None:
    for told in (rmc_time(",".join(fields).split(",")), zda_time(",".join(fields).split(","))):
        assert told is None or told < 4e11


@pytest.mark.parametrize("number", ["9" * 12, "9" * 30])
def test_a_day_or_month_that_fits_no_integer_is_no_time(number: str) -> None:
    assert zda_time(["120000", number, "06", "2030"]) is None
    assert zda_time(["120000", "01", number, "2030"]) is None
