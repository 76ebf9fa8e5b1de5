# SPDX-License-Identifier: GPL-3.0-or-later
"""The history's bytes are counted against the card, and only where they are written."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.storage import history, voyage_log
from tests.unit.checks.small_boat import links, read

LOG = ("feed: {}", "log: {}")
TEN = links(*(f"l{n}: {{adapter: {{serial: B{n}}}, baud: 4800, talks: [MWV]}}" for n in range(9)))


def test_a_year_is_a_few_megabytes(tmp_path: Path) -> None:
    profile = read(tmp_path, TEN, LOG).profile
    assert len(profile.links) == 10
    assert history.bytes_a_year(profile) == pytest.approx(440 * 24 * 365)
    assert history.bytes_a_year(profile) / (60 * 24 * 365) < 10, "bytes a minute"


def test_without_a_log_nothing_is_written(tmp_path: Path) -> None:
    boat = read(tmp_path, TEN)
    assert history.bytes_a_year(boat.profile) == 0
    assert "history" not in {figure.subject for figure in checks.calculate([boat])}


def test_the_card_writes_for_both(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    boat = read(tmp_path, TEN, LOG)
    both = voyage_log.worst_bytes_a_year(boat.profile)
    assert [f.unit for f in checks.calculate([boat]) if f.subject == "history"] == ["MB", "MB"]
    monkeypatch.setattr(history, "WRITES_A_DAY", 0)
    alone = voyage_log.worst_bytes_a_year(boat.profile)
    assert both - alone == pytest.approx(24 * 8 * 2**20 * 365)
