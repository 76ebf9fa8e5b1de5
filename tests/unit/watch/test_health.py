# SPDX-License-Identifier: GPL-3.0-or-later
"""Each concern comes at its limit, not before, and says what to do."""

from __future__ import annotations

from typing import Any

import pytest

from provision.onboard.watch.answer.answer import make_answer
from tests.support.watch.past import answer, history, sample


def concerns(minutes: int = 120, kept: str = "card", **figures: int | None) -> dict[str, str]:
    """The concerns of a boat with one such minute among quiet ones."""
    made = history(minutes)
    made.add(minutes * 60 + 30, sample(**figures))
    told = answer(made, minutes + 1, kept)["concerns"]
    assert all(one["text"] and one["action"] for one in told)
    return {one["key"]: one["text"] for one in told}


def test_a_quiet_boat_has_none() -> None:
    assert concerns() == {}
    assert answer(history(0), 1)["concerns"] == []


@pytest.mark.parametrize(
    ("figures", "key", "text"),
    [
        ({"low": 1}, "supply", "its supply was too low in 1 minute of the last day"),
        ({"errors": 1}, "card-errors", "the file system of its data has 1 error"),
        ({"readonly": 1}, "card-readonly", "its data partition took no writes in the last day"),
        ({"data": 95}, "card-full", "its data partition is 95 % full"),
        ({"written": 3 * 2**20}, "card-writes", "3072 MiB were written to its card"),
        ({"celsius": 78}, "heat", "its computer was up to 78 °C hot"),
        ({"slowed": 1}, "heat", "up to 45 °C hot, and was slowed down for 1 minute"),
        ({"memory": 63}, "memory", "its memory was nearly full: 63 MiB left"),
        ({"overlay": 80}, "overlay", "its overlay in RAM was 80 % full"),
        ({"restarts": 10}, "feed", "its feed was restarted 10 times in the last day"),
    ],
)
def test_one_bad_minute(figures: dict[str, int], key: str, text: str) -> None:
    found = concerns(**figures)
    assert found.keys() == {key}
    assert text in found[key]


@pytest.mark.parametrize(
    "figures",
    [{"data": 94}, {"celsius": 77}, {"memory": 64}, {"overlay": 79}, {"restarts": 9}],
)
def test_just_inside_the_limit(figures: dict[str, int]) -> None:
    assert concerns(**figures) == {}


def test_what_the_board_does_not_tell_is_no_concern() -> None:
    made = history()
    for minute in range(120):
        made.add(minute * 60, sample({}, **dict.fromkeys(sample().figures)))
    assert answer(made, 120)["concerns"] == []


def test_a_history_that_the_card_does_not_take() -> None:
    assert concerns(kept="failing").keys() == {"card-history"}
    # The worse one alone.
    assert concerns(kept="failing", readonly=1).keys() == {"card-readonly"}
    assert concerns(kept="memory") == {}


def test_power_cuts_are_a_concern_from_three_a_day_on() -> None:
    def told(cuts: int) -> Any:
        made = history(10, lost_power=False)
        for number in range(cuts):
            boot = made.recall(type(made.present)(f"b{number}", 0.0, lost_power=True, lasted=60))
            boot.offset, boot.sure = made.present.offset - 3600 * (cuts - number), True
        return {one["key"] for one in answer(made, 10)["concerns"]}

    assert told(2) == set()
    assert told(3) == {"power-cuts"}


def links_of(gone: int, letter: str, minutes: int = 200, others: str = "h") -> set[str]:
    made = history()
    for minute in range(minutes):
        depth = letter if minute < gone else others
        made.add(minute * 60, sample({"gnss": others, "depth-log": depth}))
    return {one["key"] for one in answer(made, minutes)["concerns"]}


def test_a_link_is_missing_while_others_are_heard() -> None:
    assert links_of(20, "s") == set()
    assert links_of(21, "s") == {"link-silent"}
    assert links_of(21, "g") == {"link-garbled"}
    assert links_of(21, "a") == {"link-absent"}


def test_a_boat_whose_instruments_are_all_off_lies_still() -> None:
    assert links_of(200, "s", others="s") == set()


def test_a_short_history_judges_no_link() -> None:
    assert links_of(59, "a", minutes=59) == set()
    assert links_of(30, "a", minutes=60) == {"link-absent"}


def test_yesterdays_trouble_is_over_today() -> None:
    made = history()
    made.add(30, sample(low=1, celsius=90))
    for minute in range(1, 26 * 60):
        made.add(minute * 60 + 30, sample())
    told = make_answer(made, 26 * 3600.0, sampled=None, kept="card")
    assert told["concerns"] == []
    assert told["month"]["whole"]["most"]["celsius"] == 90
