# SPDX-License-Identifier: GPL-3.0-or-later
"""A plot and its text say the same."""

from __future__ import annotations

import pytest

from provision.onboard.page.view.history import describe_history, draw_bars
from provision.onboard.watch.answer.plots import make_plots
from provision.onboard.watch.answer.words import minutes_of, size_of
from tests.support.watch.past import answer, history, sample


def test_each_subject_has_a_plot_of_every_bin() -> None:
    told = answer(history(300), 300)
    for period, bins in (("day", 144), ("month", 120)):
        plots = {plot.name: plot for plot in make_plots(told[period])}
        names = ["gnss", "depth-log", "Starts", "Feed", "Supply", "Temperature", "Memory"]
        assert list(plots) == [*names, "Overlay", "Card"]
        assert {len(plot.values) for plot in plots.values()} == {bins}
        assert all(value is None or 0 <= value <= 1 for p in plots.values() for value in p.values)
    texts = {plot.name: plot.text for plot in make_plots(told["day"])}
    assert texts["gnss"] == "always heard"
    assert texts["Starts"] == "1, 0 after a power cut"
    assert texts["Feed"] == "ran on"
    assert texts["Supply"] == "always enough"
    assert texts["Temperature"] == "45 to 45 °C"
    assert texts["Card"] == "2 MiB written, 12 % full"


def test_a_silence_is_drawn_and_said() -> None:
    made = history()
    for minute in range(100):
        letter = "s" if 50 <= minute < 60 else "a" if minute == 60 else "h"
        made.add(minute * 60 + 30, sample({"gnss": letter}, restarts=int(minute == 70)))
    told = answer(made, 100)
    plots = {plot.name: plot for plot in make_plots(told["day"])}
    assert plots["gnss"].text == "absent for 1 minute, silent for 10 minutes of 100 minutes"
    drawn = plots["gnss"].values
    assert drawn[-5:] == [1.0, 0.1, 0.0, 0.0, 0.0]
    assert drawn[0] is None
    assert plots["Feed"].text == "restarted once"
    assert plots["Feed"].values[-3] == 1.0


def test_what_nobody_tells_has_no_plot() -> None:
    made = history()
    made.add(30, sample({}, **dict.fromkeys(sample().figures)))
    assert [plot.name for plot in make_plots(answer(made, 1)["day"])] == ["Starts"]


def test_the_page_shows_the_same_in_plain_data() -> None:
    made = describe_history(answer(history(90), 90, "memory"))
    assert "memory alone" in made["text"]
    assert [(one["name"], one["bins"]) for one in made["periods"]] == [
        ("Last 24 hours", 144),
        ("Last 30 days", 120),
    ]
    (temperature,) = [p for p in made["periods"][0]["plots"] if p["name"] == "Temperature"]
    assert temperature["drawn"] == "M135 20v-10h9v10z"
    assert temperature["on"] == "M135 19h9v1h-9z"


def test_names_that_are_markup_or_turned_around_are_cleaned() -> None:
    made = history()
    made.add(30, sample({"gn\u202ess\x07": "s"}))
    (plot, *_) = describe_history(answer(made, 1))["periods"][0]["plots"]
    assert plot["name"] == "gnss"


def test_a_concern_is_a_sentence() -> None:
    made = history(5)
    made.add(330, sample(low=1))
    (concern,) = describe_history(answer(made, 6))["concerns"]
    assert concern["text"] == "Its supply was too low in 1 minute of the last day."
    assert concern["action"].startswith("Charge the battery") and concern["action"].endswith(".")


def test_without_boat_watch_nothing_is_made_up() -> None:
    made = describe_history(None)
    assert made["periods"] == [] and made["concerns"] == []
    assert made["text"] == "What the boat remembers is not known."


def test_a_small_value_can_be_seen() -> None:
    assert draw_bars([0.001]) == "M0 20v-2h1v2z"
    assert draw_bars([]) == ""


@pytest.mark.parametrize(
    ("minutes", "text"),
    [(1, "1 minute"), (59, "59 minutes"), (119, "119 minutes"), (120, "2 hours"), (2880, "2 days")],
)
def test_durations(minutes: int, text: str) -> None:
    assert minutes_of(minutes) == text


def test_sizes() -> None:
    assert [size_of(kib) for kib in (0, 2048, 50 * 2**20)] == ["0 KiB", "2 MiB", "50 GiB"]
