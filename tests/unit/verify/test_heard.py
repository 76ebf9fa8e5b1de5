# SPDX-License-Identifier: GPL-3.0-or-later
"""A link that was heard before a change has to be heard after it. A silent one proves nothing."""

from __future__ import annotations

from typing import Any, get_args

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.verify.heard import (
    MAX_PATIENCE_S,
    MIN_PATIENCE_S,
    UNKNOWN_PATIENCE_S,
    LinkState,
    explain_garbled,
    input_state,
    judge,
    judge_missing_adapter,
    patience,
    speaks_rarely,
    state_after,
    state_before,
    states_before,
)

STATES = get_args(LinkState)


def source(**changes: Any) -> dict[str, Any]:
    """Return a link that is heard ten times a second, after a minute."""
    usual = {"present": True, "sentences": 600, "bytes": 30_000, "last_heard": 0.1, "load": 60.0}
    return {**usual, **changes}


def feed(**links: dict[str, Any]) -> dict[str, Any]:
    return {"running": 60.0, "links": links, "inputs": {}}


@pytest.mark.parametrize(
    ("before", "after", "ending"),
    [
        ("heard", "heard", "passed"),
        *[("heard", after, "failed") for after in ("garbled", "silent", "absent")],
        *[(before, "heard", "noted") for before in ("garbled", "silent", "absent")],
        *[(b, a, "noted") for b in ("silent", "absent") for a in ("silent", "absent")],
        *[(before, "garbled", "failed") for before in ("silent", "absent")],
        ("garbled", "garbled", "noted"),
        (None, "heard", "passed"),
        (None, "garbled", "failed"),
        *[(None, after, "noted") for after in ("silent", "absent")],
    ],
)
def test_every_row_of_the_table_of_a_trial(
    before: LinkState | None, after: LinkState, ending: str
) -> None:
    verdict = judge(before, after, on_trial=True)
    assert verdict.ending == ending
    assert bool(verdict.reason) == (ending != "passed")


@given(before=st.sampled_from([None, *STATES]), after=st.sampled_from(STATES), rare=st.booleans())
def test_every_pair_has_a_verdict(before: LinkState | None, after: LinkState, rare: bool) -> None:
    for on_trial in (True, False):
        judge(before, after, on_trial=on_trial, rare=rare)


def test_an_adapter_that_is_not_there_fails_a_boat_that_is_not_on_trial() -> None:
    assert judge(None, "absent", on_trial=False).ending == "failed"
    assert judge(None, "silent", on_trial=False).ending == "noted"
    assert judge(None, "garbled", on_trial=False).ending == "failed"


@pytest.mark.parametrize(
    ("changes", "state"),
    [
        ({}, "heard"),
        ({"present": False}, "absent"),
        ({"last_heard": 40.0, "load": 0.0}, "silent"),
        ({"last_heard": None, "sentences": 0, "load": 0.0}, "silent"),
        ({"last_heard": None, "sentences": 0}, "garbled"),
        # Three sentences a minute: 40 s of silence are nothing unusual.
        ({"last_heard": 40.0, "sentences": 3, "load": 0.1}, "heard"),
        # One sentence after it was opened, and nothing since.
        ({"last_heard": 59.0, "sentences": 1, "load": 0.0}, "heard"),
    ],
)
def test_the_state_before(changes: dict[str, Any], state: str) -> None:
    assert state_before(source(**changes), 60.0) == state


def test_a_source_on_the_network_that_is_switched_off_is_silent() -> None:
    off = source(present=False, last_heard=None, sentences=0, load=0.0)
    states = states_before({"running": 60.0, "links": {"gnss": off}, "inputs": {"ais-net": off}})
    assert states == {"gnss": "absent", "ais-net": "silent"}
    assert input_state("heard") == "heard"
    assert judge(None, input_state("absent"), on_trial=False).ending == "noted"


def test_the_state_after() -> None:
    first = source()
    assert state_after(first, source(sentences=601)) == "heard"
    assert state_after(first, source()) == "silent"
    assert state_after(first, source(bytes=30_015)) == "silent", "a few bytes are a plug's noise"
    assert state_after(first, source(bytes=30_016)) == "garbled"
    assert state_after(first, source(present=False)) == "absent"
    assert state_after(None, source()) == "heard"


def test_a_feed_that_was_restarted_in_between_counts_from_nothing() -> None:
    assert state_after(source(), source(sentences=1, bytes=50)) == "heard"
    assert state_after(source(), source(sentences=0, bytes=0)) == "silent"
    assert state_after(source(), source(sentences=0, bytes=50)) == "garbled"


def test_a_rare_talker_gets_longer_and_fails_no_proof_by_its_silence() -> None:
    before = feed(gnss=source(), ais=source(sentences=10), rare=source(sentences=2))
    assert patience(before, "gnss") == MIN_PATIENCE_S
    assert patience(before, "ais") == 24.0
    assert patience(before, "rare") == MAX_PATIENCE_S
    assert patience(before, "new") == patience(None, "gnss") == UNKNOWN_PATIENCE_S
    assert [speaks_rarely(before, name) for name in ("gnss", "ais", "rare", "new")] == [
        *(False, False, True, False),
    ]
    assert judge("heard", "silent", on_trial=True, rare=True).ending == "noted"
    assert judge("heard", "garbled", on_trial=True, rare=True).ending == "failed"


@pytest.mark.parametrize(("before", "now"), [(None, 9600), (4800, 4800)])
def test_a_baud_rate_that_is_the_same_or_not_known_explains_nothing(
    before: int | None, now: int
) -> None:
    assert explain_garbled(before, now) == ""


def test_a_wrong_baud_rate_is_told_with_the_right_one() -> None:
    assert explain_garbled(4800, 9600).endswith("set its link to baud: 4800")


@pytest.mark.parametrize("state", STATES)
def test_an_adapter_that_was_there_has_to_stay(state: LinkState) -> None:
    verdict = judge_missing_adapter("gnss", {"gnss": state})
    assert verdict.ending == ("noted" if state == "absent" else "failed")


def test_an_adapter_that_is_not_there_fails_without_a_change() -> None:
    assert judge_missing_adapter("gnss", None).ending == "failed"


def test_the_missing_adapter_of_a_new_link_is_a_note() -> None:
    assert judge_missing_adapter("wind", {"gnss": "heard"}).ending == "noted"
