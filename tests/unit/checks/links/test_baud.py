# SPDX-License-Identifier: GPL-3.0-or-later
"""The load of a link: crowded, too full, and with room."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from provision.checks.links import baud
from tests.unit.checks.tern import boat, found, links


def test_the_share_of_a_full_link() -> None:
    """Six of 67 characters and two of 82 a second, through 480 a second (IEC 61162-1)."""
    assert baud.load_share({"GGA": 6.0, "PXYZ": 2.0}, 4800) == pytest.approx(
        (6 * 67 + 2 * 82) / 480
    )


@pytest.mark.parametrize(
    ("rate", "expected"),
    [
        ("6.3", []),
        ("6.5", [("warning", "link-load.speed")]),
        ("8", [("warning", "link-load.speed")]),
        ("8.1", [("error", "link-load.speed")]),
    ],
)
@pytest.mark.parametrize("way", ["talks", "listens"])
def test_a_link_that_is_crowded_or_too_full(
    tmp_path: Path, way: str, rate: str, expected: list[tuple[str, str]]
) -> None:
    # 60 characters a time, of 480 a second
    entry = f"speed: {{adapter: {{serial: S}}, {way}: {{VHW: {rate}, HDM: {rate}}}}}"
    assert found(boat(tmp_path, links(entry))) == expected


def test_a_higher_baud_rate_has_room(tmp_path: Path) -> None:
    entry = "speed: {adapter: {serial: S}, baud: 38400, talks: {VHW: 10, HDM: 10}}"
    assert found(boat(tmp_path, links(entry))) == []


def test_a_full_link_is_reported_with_its_rates(tmp_path: Path) -> None:
    entry = "ais: {adapter: {serial: S}, talks: {VDM: 12}}"
    (finding,) = checks.check([boat(tmp_path, links(entry))])
    assert str(finding.location) == f"{tmp_path}/tern.yml:8:31: links.ais.talks"
    assert finding.message.startswith("ais sends more than 4800 baud can carry: 1")
    assert "38400" in finding.hint
