# SPDX-License-Identifier: GPL-3.0-or-later
"""What people aboard are told of charts and sticks."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from provision.onboard.charts.state import REASONS, State, StateFile
from provision.onboard.page.facts.charts import read_charts
from provision.onboard.page.facts.health import Health
from provision.onboard.page.view.charts import CUT_OFF_S, NEWS_S, describe_charts
from provision.onboard.page.view.view import make_view
from provision.onboard.page.web.plain import make_plain
from tests.support.page.boat import page_config, state

CONFIG = page_config(charts="10.47.1.1:8080")

PHASES = ("looking", "copying", "done", "refused", "broken", "failing", "stopped", "empty")


def told(age: float = 1.0, **changes: Any) -> dict[str, Any]:
    return {**asdict(State(**changes)), "format": 1, "at": 100.0, "age": age}


def say(copying: dict[str, Any] | None) -> dict[str, Any]:
    shown, _ = describe_charts(CONFIG, copying)
    assert shown is not None
    return shown


def test_what_boat_charts_writes_is_read(tmp_path: Path) -> None:
    file = str(tmp_path / "state.json")
    written = State("copying", files=3, of_files=12, bytes=5, of_bytes=20)
    written.leave_out("x" * 500 + "\udcff", "strange name")
    StateFile(file).write(written)
    read = read_charts(file)
    assert read is not None and read["age"] < 60
    assert say(read)["running"] and say(read)["share"] == 0.25


def test_a_boat_without_charts_says_nothing_of_them() -> None:
    made = make_view(page_config(), state(), Health(degraded=False))
    assert made["charts"] is None
    assert "Fetch charts" not in make_plain(
        {**made, "history": {"text": "", "concerns": [], "periods": []}}
    )


def test_a_copy_is_shown_while_it_runs() -> None:
    shown = say(
        told(phase="copying", files=3, of_files=12, bytes=400_000_000, of_bytes=1_600_000_000)
    )
    assert shown["text"] == "Copying charts: 3 of 12 files, 400.0 MB of 1.6 GB."
    assert (shown["running"], shown["share"], shown["action"]) == (True, 0.25, "")
    assert shown["address"] == "http://10.47.1.1:8080/"


def test_the_end_of_a_copy_says_that_the_stick_may_go() -> None:
    shown = say(told(age=9999, phase="done", files=1, left_out=2, examples=[("a", "no file")]))
    assert shown["text"] == (
        "The stick is copied, with 1 new or changed file. It can be pulled out. 2 were left out."
    )
    assert shown["left_out"] == ["a: no file"] and not shown["running"]
    assert say(told(phase="done", same=7))["text"].startswith(
        "The stick is copied, with nothing new."
    )


def test_a_copy_without_news_was_cut_off() -> None:
    shown = say(told(age=CUT_OFF_S + 1, phase="copying", bytes=1, of_bytes=2))
    assert shown["text"] == "The copy of charts was cut off." and not shown["running"]
    assert shown["share"] is None and "whole" in shown["action"]


@pytest.mark.parametrize("reason", REASONS)
def test_each_reason_says_what_to_do(reason: str) -> None:
    shown = say(told(phase="refused", reason=reason, needed=1_500_000_000))
    assert shown["text"].endswith(".") and shown["action"].endswith(".")
    assert ("1.5 GB" in shown["text"]) == (reason == "no-room")


def test_old_news_is_no_longer_among_what_is_wrong() -> None:
    for age, count in ((1.0, 1), (NEWS_S + 1, 0)):
        _, issues = describe_charts(CONFIG, told(age=age, phase="broken"))
        assert [issue.level for issue in issues] == ["notice"] * count


def test_names_of_a_stick_are_text_without_tricks() -> None:
    name = "<b>\u202egpj\n" + "x" * 200
    made = make_view(
        CONFIG, state(), Health(), told(phase="done", left_out=1, examples=[(name, "long name")])
    )
    (line,) = made["charts"]["left_out"]
    assert "\u202e" not in line and "\n" not in line and len(line) < 130
    plain = make_plain({**made, "history": {"text": "", "concerns": [], "periods": []}})
    assert "&lt;b&gt;" in plain and 'href="http://10.47.1.1:8080/"' in plain


@given(
    st.sampled_from(PHASES),
    st.sampled_from(["", *REASONS]),
    st.integers(0, 2**50),
    st.integers(0, 2**50),
    st.floats(0, 1e6),
)
def test_any_state_is_shown(phase: str, reason: str, done: int, of: int, age: float) -> None:
    shown = say(told(age=age, phase=phase, reason=reason, bytes=done, of_bytes=of))
    assert json.dumps(shown) and shown["text"]
    assert shown["share"] is None or 0 <= shown["share"] <= 1


@given(
    st.binary(max_size=200)
    | st.recursive(
        st.none() | st.booleans() | st.integers() | st.text(),
        lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
    ).map(lambda value: json.dumps(value).encode())
)
def test_any_file_is_a_state_or_none(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    file = tmp_path_factory.mktemp("state") / "state.json"
    file.write_bytes(content)
    assert read_charts(str(file)) is None


@pytest.mark.parametrize(
    "changes",
    [
        {"format": 2},
        {"at": "x"},
        {"files": None},
        {"examples": [1]},
        {"examples": [["a"]]},
        {"phase": 5},
        {"bytes": True},
    ],
)
def test_a_state_of_another_shape_is_none(tmp_path: Path, changes: dict[str, Any]) -> None:
    file = tmp_path / "state.json"
    whole = {**asdict(State()), "format": 1, "at": 1.0}
    file.write_text(json.dumps(whole))
    assert read_charts(str(file)) is not None
    file.write_text(json.dumps({**whole, **changes}))
    assert read_charts(str(file)) is None
