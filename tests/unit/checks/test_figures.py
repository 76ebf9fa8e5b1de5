# SPDX-License-Identifier: GPL-3.0-or-later
"""Each sum of `check` comes with its figure, also where nothing is found."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.figure import Figure, format_figures, format_number, judge
from provision.profile import load
from tests.unit.checks.tern import boat, links


def figure(tern: load.Boat, subject: str, name: str = "") -> Figure:
    (one,) = [f for f in checks.calculate([tern]) if f.subject == subject and name in f.name]
    return one


def test_a_links_load_has_its_figures(tmp_path: Path) -> None:
    """480 characters a second at 4800 baud (IEC 61162-1)."""
    entry = "speed: {adapter: {serial: S}, talks: {VHW: 6.5, HDM: 6.5}, listens: {HDM: 1}}"
    tern = boat(tmp_path, links(entry))
    sent = figure(tern, "link-load.speed", "sends")
    assert (sent.value, sent.limit, sent.verdict) == (pytest.approx(390), 480, "warning")
    assert sent.unit == "characters a second"
    assert "IEC 61162-1" in sent.source
    given = figure(tern, "link-load.speed", "is sent")
    assert (given.limit, given.verdict) == (480, "fine")


def test_what_is_fine_is_told_as_well(tmp_path: Path) -> None:
    tern = boat(tmp_path)
    assert checks.check([tern]) == []
    figures = checks.calculate([tern])
    assert {"link-load.gnss", "usb-power", "usb-ports", "wifi-clients", "card-size"} <= {
        one.subject for one in figures
    }
    assert {one.boat for one in figures} == {"tern"}
    assert all(one.source for one in figures if one.verdict != "unknown")


def test_a_figure_and_its_finding_agree(tmp_path: Path) -> None:
    entries = [f"l{i}: {{adapter: {{serial: S{i}}}, talks: {{RSA: 40}}}}" for i in range(4)]
    tern = boat(tmp_path, links(*entries), ("access:", "card: {size: 8 GB}\naccess:"))
    found = {(one.level, one.check) for one in checks.check([tern])}
    judged = {
        (one.verdict, one.subject)
        for one in checks.calculate([tern])
        if one.verdict in ("warning", "error")
    }
    assert judged == found
    assert len(found) == 6


@pytest.mark.parametrize(
    ("value", "bound", "verdict"),
    [
        (10, "most", "fine"),
        (10.01, "most", "error"),
        (10, "least", "fine"),
        (9.9, "least", "error"),
    ],
)
def test_a_limit_is_within_itself(value: float, bound: str, verdict: str) -> None:
    assert judge(value, 10, bound) == verdict  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("value", "text"), [(4.634, "4.63"), (99.94, "99.9"), (480, "480"), (1200.4, "1200"), (0, "0")]
)
def test_numbers_have_three_digits(value: float, text: str) -> None:
    assert format_number(value) == text


def test_a_hint_stands_below_what_is_not_fine() -> None:
    fine = Figure("a", "this", 1, "V", "a source", limit=2, help="do that")
    unknown = Figure("b", "that", None, "V", "a source", verdict="unknown", help="write b")
    assert list(format_figures([fine, unknown])) == [
        ":",
        "  fine    this: 1 V, at most 2 (a source) [a]",
        "  unknown that: not known [b]",
        "    hint: write b",
    ]
