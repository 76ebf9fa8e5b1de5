# SPDX-License-Identifier: GPL-3.0-or-later
"""A link of the feed is reported as the feed hears it."""

from __future__ import annotations

from typing import Any

import pytest

from provision.survey.adapters import Adapter
from provision.survey.remote.links import report_link
from provision.survey.remote.messages import AdapterMessage, LinkMessage, LinkState
from provision.survey.report import Rate

ADAPTER = Adapter("/dev/boat/gnss", "KW-01", "1-1.2")


def link(**state: Any) -> LinkMessage:
    return LinkMessage(
        name="gnss",
        baud=38400,
        adapter=AdapterMessage(**vars(ADAPTER)),
        state=LinkState(**state) if state else None,
        pilot="",
    )


HEARD = {
    "sentences": 600,
    "rates": {"RMC": 1.0, "GSV": 3.0, "ZDA": 0.0, "PXYZ1": 0.2},
    "last_heard": 0.2,
    "load": 20.0,
}


def test_a_link_that_is_heard() -> None:
    told = report_link(link(**HEARD), 600.0)
    assert (told.adapter, told.link, told.feed, told.state) == (
        *(ADAPTER, "gnss", "heard", "38400 baud"),
    )
    assert told.looks_like == "GNSS receiver"
    assert told.sentences == {
        "GSV": Rate(3.0, 3.0, 3.0),
        "PXYZ1": Rate(0.2, 0.2, 0.2),
        "RMC": Rate(1.0, 1.0, 1.0),
        "ZDA": None,
    }
    assert told.as_json()["sentences"]["RMC"] == 1.0
    assert told.as_json()["spread"] == {}
    assert (told.as_json()["link"], told.as_json()["feed"]) == ("gnss", "heard")


@pytest.mark.parametrize(
    ("state", "feed", "advice"),
    [
        ({"load": 30.0}, "garbled", "no valid sentence at 38400 baud: survey with --all"),
        ({"load": 0.0}, "silent", "hears nothing at 38400 baud"),
        ({**HEARD, "last_heard": 300.0, "load": 0.0}, "silent", "is the instrument on?"),
        ({"present": False}, "absent", "not plugged in"),
    ],
)
def test_a_link_that_is_not(state: dict[str, Any], feed: str, advice: str) -> None:
    told = report_link(link(**state), 600.0)
    assert (told.feed, told.state, told.baud, told.sentences) == (feed, feed, None, {})
    assert advice in told.advice[0]


def test_a_link_that_another_survey_has_or_that_the_feed_does_not_know() -> None:
    assert report_link(link(present=False, paused=True), 600.0).error == "another survey has it"
    assert "tells nothing of it" in report_link(link(), 600.0).error
