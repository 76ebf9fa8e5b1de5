# SPDX-License-Identifier: GPL-3.0-or-later
"""The voyage log's days and wear, just inside and just outside their limits.

README: 18 MB and 288 writes a day at twenty sentences a second.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.storage import voyage_log
from tests.unit.checks.small_boat import findings, found, inputs, links, read

#: With the receiver's one a second, twenty.
TWENTY = links("wind: {adapter: {serial: A2}, baud: 38400, talks: {MWV: 19}}")


def log(text: str = "{}", card: str = "size: 16 GB") -> list[tuple[str, str]]:
    return [("feed: {}", f"log: {text}"), ("size: 16 GB", card)]


def test_what_the_readme_says(tmp_path: Path) -> None:
    profile = read(tmp_path, TWENTY, *log()).profile
    assert voyage_log.sentence_rate(profile) == 20
    assert voyage_log.bytes_a_day(profile) == pytest.approx(18e6)
    assert voyage_log.writes_a_day(profile) == 288


def test_more_is_written_more_often(tmp_path: Path) -> None:
    """In pieces of 256 KiB: 262144 bytes in 300 s are 84 sentences a second."""
    entry = "wind: {{adapter: {{serial: A2}}, baud: 115200, talks: {{MWV: {}, MWD: {}}}}}"
    few = read(tmp_path, links(entry.format(80, 2)), *log()).profile
    assert voyage_log.writes_a_day(few) == 288
    many = read(tmp_path, links(entry.format(80, 4)), *log()).profile
    assert voyage_log.writes_a_day(many) > 288


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("{keep: 100 days, cap: 1.8 GB}", []),
        ("{keep: 100 days, cap: 1.799 GB}", [("warning", "log-days")]),
        ("{keep: 101 days, cap: 1.8 GB}", [("warning", "log-days")]),
    ],
)
def test_days_that_the_log_holds(
    tmp_path: Path, text: str, expected: list[tuple[str, str]]
) -> None:
    assert found(tmp_path, TWENTY, *log(text)) == expected
    for finding in findings(tmp_path, TWENTY, *log(text)):
        assert finding.location.key == "log.cap"
        assert "log.cap: 1.8 GB" in finding.hint or "log.cap: 1.9 GB" in finding.hint


def test_days_count_what_is_taken_and_networks(tmp_path: Path) -> None:
    net = inputs("net: {udp: 10111, talks: {MWV: 5}, takes: {but: [MWV]}}")
    assert voyage_log.sentence_rate(read(tmp_path, net).profile) == 1
    backbone = links("backbone: {can: can0, talks: {wind: 2}}")
    # A wind is MWV or MWD: both are counted.
    assert voyage_log.sentence_rate(read(tmp_path, backbone).profile) == 1 + 2 * 2


@pytest.mark.parametrize(
    ("endurance", "expected"),
    [
        # 288 writes and 24 of the history of 8 MiB, and 18 MB a day, are 962 GB a year.
        ("9.7 TB", []),
        ("9.6 TB", [("warning", "card-endurance")]),
        ("0 TB", [("warning", "card-endurance")]),
    ],
)
def test_a_card_that_wears_out(
    tmp_path: Path, endurance: str, expected: list[tuple[str, str]]
) -> None:
    card = f"size: 16 GB, endurance: {endurance}"
    assert round(((288 + 24) * 8 * 2**20 + 18e6) * 365 / 1e9) == 962
    assert found(tmp_path, TWENTY, *log(card=card)) == expected
    assert found(tmp_path, TWENTY, ("size: 16 GB", card)) == []
    for finding in findings(tmp_path, TWENTY, *log(card=card)):
        assert finding.location.key == "card.endurance"
        assert "9.7 TB" in finding.hint


def test_the_figures_of_a_log(tmp_path: Path) -> None:
    def values(card: str) -> list[tuple[str, float | None, str]]:
        figures = checks.calculate([read(tmp_path, TWENTY, *log(card=card))])
        return [
            (f.unit, f.value, f.verdict)
            for f in figures
            if f.subject in ("log-days", "card-endurance")
        ]

    days, written, worst, years = values("size: 16 GB")
    assert days == ("days", pytest.approx(2e9 / 18e6), "fine")
    assert written == ("GB", pytest.approx(6.57), "fine")
    assert worst == ("GB", pytest.approx(962, rel=1e-3), "fine")
    assert years == ("years", None, "unknown")
    assert values("size: 16 GB, endurance: 40 TB")[3] == (
        "years",
        pytest.approx(41.6, rel=1e-2),
        "fine",
    )


def test_without_a_log_or_known_sentences_nothing_is_said(tmp_path: Path) -> None:
    silent = ("talks: [RMC]}", "listens: [RMC]}")
    assert found(tmp_path, silent, *log(), of="log") == []
    assert not [f for f in checks.calculate([read(tmp_path)]) if f.subject.startswith("log")]
