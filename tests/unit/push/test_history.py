# SPDX-License-Identifier: GPL-3.0-or-later
"""What boats remember is shown in 80 columns, and an odd answer spoils nothing."""

from __future__ import annotations

import io
import json
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from provision.push.history_table import BLOCKS, DIGITS, draw_line, history_tables
from provision.push.query.history import describe_concerns, plots_of, read_history
from provision.push.status import HISTORY_COMMAND, STATUS_COMMAND, BoatStatus
from provision.report.contents.fleet import fleet_page
from provision.ssh.endpoint import Endpoint
from tests.support.watch.past import answer, history, sample

HERE = Endpoint("10.47.1.1")


def told(**figures: int) -> dict[str, Any]:
    """What a boat tells after two days, the last minute of which had these figures."""
    made = history(48 * 60)
    made.add(48 * 3600 + 30, sample({"gnss": "s", "depth-log": "h"}, **figures))
    return answer(made, 48 * 60 + 1)


def printed(*statuses: BoatStatus, encoding: str = "utf-8", **console: Any) -> str:
    text = io.StringIO()
    tables = history_tables(statuses, encoding=encoding)
    Console(file=text, width=80, **console).print(tables)
    return text.getvalue()


def test_both_periods_of_a_boat_fit_80_columns() -> None:
    shown = printed(BoatStatus("tern", "", HERE, history=told()))
    assert "tern, last 24 hours" in shown and "tern, last 30 days" in shown
    assert all(len(line) <= 80 for line in shown.splitlines())
    rows = [line for line in shown.splitlines() if line.startswith("Temperature")]
    assert len(rows) == 2 and all("45 to 45 °C" in row for row in rows)
    gnss = next(line for line in shown.splitlines() if line.startswith("gnss"))
    assert "silent for 1 minute of 24 hours" in " ".join(shown.split())
    assert gnss.count("·") == 23


def test_nothing_hangs_on_colours_or_on_unicode() -> None:
    shown = printed(BoatStatus("tern", "", HERE, history=told()), encoding="ascii")
    assert "\x1b" not in shown
    assert not set(shown) & set("▁▂▃▄▅▆▇█·")
    assert "\x1b" not in printed(
        BoatStatus("tern", "", HERE, history=told()), force_terminal=True, no_color=True
    )


@pytest.mark.parametrize(
    ("status", "text"),
    [
        (BoatStatus("tern", "", HERE), "no history: its settings are older"),
        (BoatStatus("tern", "", None), "no answer, so nothing of its history is known"),
        (BoatStatus("tern", "", HERE, history={"day": 3}), "its history is not understood"),
    ],
)
def test_a_boat_without_a_history_is_said_plainly(status: BoatStatus, text: str) -> None:
    assert text in " ".join(printed(status).split())


def test_control_characters_of_a_boat_reach_no_screen() -> None:
    found = json.loads(json.dumps(told()).replace("gnss", "gn\\u001b[2Jss"))
    assert "\x1b" not in printed(BoatStatus("tern\x1b[2J", "", HERE, history=found))


def test_a_line_has_one_sign_for_each_share() -> None:
    assert draw_line([None] * 144, 24, BLOCKS) == " " * 24
    assert draw_line([0.0] * 120, 30, DIGITS) == "." * 30
    assert draw_line([0.0, 0.1, 1.0, None], 4, DIGITS) == ".18 "


# --- reading ----------------------------------------------------------------------------


def test_concerns_are_sentences_with_what_to_do() -> None:
    read = read_history(json.dumps(told(low=1)))
    (sentence,) = describe_concerns(read)
    assert sentence.startswith("its supply was too low in 1 minute of the last day: charge")
    assert describe_concerns(None) == {}


def test_the_report_says_what_to_do_about_a_concern() -> None:
    read = read_history(json.dumps(told(low=1)))
    issues = tuple(describe_concerns(read))
    page = fleet_page([BoatStatus("tern", "", HERE, health_issues=issues, history=read)], {}, 0.0)
    said = repr(page)
    assert "its supply was too low in 1 minute of the last day'" in said
    assert "Charge the battery" in said and "provision fleet --history" in said


@pytest.mark.parametrize(
    "text",
    [
        "",
        "boat-watch: not found",
        "[]",
        "3",
        '{"format": 2, "concerns": []}',
        '{"format": 1, "concerns": [3]}',
        '{"format": 1, "concerns": [{"key": "x", "text": 3, "action": ""}]}',
        '{"format": 1}',
        "[" * 100_000,
        json.dumps({"format": 1, "concerns": [{"key": "", "text": "", "action": ""}] * 51}),
    ],
)
def test_another_answer_is_no_history(text: str) -> None:
    assert read_history(text) is None


@pytest.mark.parametrize(
    "spoil",
    [
        lambda day: day.update(minutes=3),
        lambda day: day.update(minutes=[1] * 10_000),
        lambda day: day["links"].update(gnss=[1, 2]),
        lambda day: day["links"].update(gnss=["x"] * 144),
        lambda day: day["whole"].update(most=[]),
        lambda day: day["figures"].update(celsius="hot"),
        lambda day: day["figures"].update(celsius=[1, 2]),
        lambda day: day["whole"]["links"].clear(),
        lambda day: day.update(starts={}),
    ],
)
def test_odd_figures_have_no_plots(spoil: Any) -> None:
    found = told()
    assert plots_of(found, "day")
    spoil(found["day"])
    assert plots_of(found, "day") is None


_JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=10,
)


@given(
    st.sampled_from(["bin", "minutes", "starts", "power_cuts", "figures", "links", "whole"]), _JSON
)
def test_any_value_of_any_key_is_read_without_harm(key: str, value: object) -> None:
    found = told()
    found["day"][key] = value
    plots_of(found, "day")
    printed(BoatStatus("tern", "", HERE, history=found))


def test_the_boat_is_asked_for_all_only_for_the_history() -> None:
    assert "boat-watch --concerns" in STATUS_COMMAND and "--history" not in STATUS_COMMAND
    assert "boat-watch --history" in HISTORY_COMMAND
