# SPDX-License-Identifier: GPL-3.0-or-later
"""A day is kept by the minute, thirty days by the hour, and memory has an end."""

from __future__ import annotations

from provision.onboard.watch.answer.periods import PERIODS, sort_into_bins
from provision.onboard.watch.memory.boots import Boot
from provision.onboard.watch.memory.history import DAY_S, MAX_BOOTS, MAX_HOURS, MAX_SUMS
from provision.onboard.watch.memory.hour import HOUR_S
from provision.onboard.watch.memory.summary import total
from tests.support.watch.past import NOON, answer, history, sample

DAY, MONTH = PERIODS
DAY_MINUTES = 24 * 60


def test_every_minute_of_the_day_counts_once() -> None:
    made = history(DAY_MINUTES)
    bins = sort_into_bins(made, DAY, DAY_S)
    assert [one.minutes for one in bins] == [10] * 144
    assert total(bins).links == {"gnss": (1440, 0, 0, 0), "depth-log": (1440, 0, 0, 0)}
    assert total(bins).sums["written"] == 8 * 1440


def test_one_bad_minute_is_in_its_bin() -> None:
    made = history()
    for minute in range(120):
        links = {"gnss": "s" if minute == 95 else "h", "depth-log": "h"}
        made.add(minute * 60 + 30, sample(links, celsius=80 if minute == 95 else 40))
    told = answer(made, 120)
    missed = told["day"]["links"]["gnss"]
    # 95 minutes after the start, 24 before now: the third bin of ten minutes from the end.
    assert missed[-3] == 1 and sum(count for count in missed if count) == 1
    assert told["day"]["figures"]["celsius"][-3] == 80
    assert told["day"]["figures"]["celsius"][-4] == 40
    assert told["day"]["whole"]["least"]["celsius"] == 40
    assert missed[-13] is None, "before the start nothing is known"


def test_hours_older_than_a_day_go_on_in_sum() -> None:
    made = history(3 * DAY_MINUTES)
    assert len(made.hours) <= 26
    assert len(made.hours) + len(made.past) == 72
    bins = sort_into_bins(made, MONTH, 3 * DAY_S)
    assert [one.minutes for one in bins[-12:]] == [360] * 12
    assert sum(one.minutes for one in bins[:-12]) == 0
    assert total(bins).minutes == 3 * DAY_MINUTES


def test_what_is_older_than_thirty_days_is_gone() -> None:
    made = history(41 * DAY_MINUTES // 60 * 60)
    told = answer(made, 41 * DAY_MINUTES)
    assert told["month"]["whole"]["minutes"] <= 30 * DAY_MINUTES + 60
    assert told["day"]["whole"]["minutes"] == DAY_MINUTES


def test_a_boat_that_starts_every_minute_takes_no_more_memory() -> None:
    made = history(1)
    for number in range(3 * MAX_BOOTS):
        boot = made.recall(Boot(f"boot-{number}", NOON - 10**7 + 60 * number))
        hour = made.hour(boot.name, 0)
        hour.put(0, sample())
        boot.lasted = hour.last()
        made.shrink(60.0)
    assert len(made.hours) <= MAX_HOURS
    assert len(made.past) <= MAX_SUMS
    assert len(made.boots) <= MAX_BOOTS
    assert made.present.name == "now"
    answer(made, 1)


def test_two_samples_of_one_minute_add_their_sums_and_keep_the_later_figures() -> None:
    made = history()
    made.add(61.0, sample(written=5, restarts=1, celsius=40))
    made.add(119.0, sample(written=7, restarts=0, celsius=42))
    (hour,) = made.hours
    assert hour.figures["written"][1] == 12
    assert hour.figures["restarts"][1] == 1
    assert hour.figures["celsius"][1] == 42
    assert hour.minutes() == [1]


def test_a_new_hour_begins_where_the_clock_of_the_start_says() -> None:
    made = history()
    made.add(HOUR_S - 1, sample())
    made.add(HOUR_S + 1, sample())
    assert [(hour.number, hour.minutes()) for hour in made.hours] == [(0, [59]), (1, [0])]
