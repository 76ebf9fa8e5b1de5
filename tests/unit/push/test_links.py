# SPDX-License-Identifier: GPL-3.0-or-later
"""A fleet tells which links are silent and since when, and believes no boat's odd answer."""

from __future__ import annotations

from typing import Any

import pytest

from provision.push.query.links import MAX_LINKS, LinkStatus, duration, link_statuses


def link(**changes: Any) -> dict[str, Any]:
    """Return a link that is heard."""
    return {"present": True, "sentences": 9000, "last_heard": 0.2, "load": 40.0, **changes}


def feed(**links: dict[str, Any]) -> dict[str, Any]:
    return {"running": 3600.0, "links": links, "inputs": {}}


def test_each_link_has_a_state_and_since_when() -> None:
    found = link_statuses(
        feed(
            gnss=link(),
            ais=link(last_heard=1300.0, load=0.0),
            wind=link(sentences=0, last_heard=None, load=0.0),
            pilot=link(present=False, last_heard=90000.0),
        )
        | {"inputs": {"ais-net": {"present": True, "sentences": 3, "last_heard": 5.0}}}
    )
    assert found is not None
    assert {name: one.describe() for name, one in found.items()} == {
        "ais": "silent for 22 min",
        "ais-net": "heard",
        "gnss": "heard",
        "pilot": "absent for 1 d",
        "wind": "silent since its feed started",
    }


@pytest.mark.parametrize(
    "odd",
    [
        None,
        [],
        {},
        {"running": 1, "links": [], "inputs": {}},
        {"running": "soon", "links": {"gnss": link()}, "inputs": {}},
        feed(gnss=[]),  # type: ignore[arg-type]
        feed(gnss=link(last_heard="now")),
        feed(gnss=link(last_heard=-1)),
        feed(gnss=link(last_heard=True)),
        feed(gnss=link(sentences="many")),
        feed(gnss=link(last_heard=None, load="much")),
        feed(**{f"link{number}": link() for number in range(MAX_LINKS + 1)}),
    ],
)
def test_an_odd_answer_is_none(odd: object) -> None:
    assert link_statuses(odd) is None


def test_a_silent_link_is_described_by_its_state_alone_where_it_is_garbled() -> None:
    assert LinkStatus("garbled").describe() == "garbled"


def test_durations() -> None:
    assert [duration(seconds) for seconds in (5, 61, 7200, 200_000)] == [
        *("5 s", "1 min", "2 h", "2 d"),
    ]
