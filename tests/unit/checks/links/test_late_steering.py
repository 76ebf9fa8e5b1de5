# SPDX-License-Identifier: GPL-3.0-or-later
"""A pilot at 1200 baud gets some steering sentences too late, one at 2400 none."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision.checks.links.sentence_lengths import typical_length
from tests.unit.checks.small_boat import findings, links


@pytest.mark.parametrize(
    ("listens", "baud", "late"),
    [
        ("{APB: 0.2, RMB: 0.2}", 1200, True),
        ("{APB: 0.2, RMB: 0.2}", 2400, False),
        ("{APB: 0.2, XTE: 0.2}", 1200, False),
        ("{APB: 0.2}", 1200, False),
        ("{DPT: 0.2, RMC: 0.2}", 1200, False),
        ("{PXYZ1: 0.2, DPT: 0.2}", 1200, False),
        ("{PXYZ1: 0.2, RMC: 0.2}", 1200, True),
    ],
)
def test_steering_behind_another_sentence(
    tmp_path: Path, listens: str, baud: int, late: bool
) -> None:
    pilot = f"pilot: {{adapter: {{serial: A2}}, baud: {baud}, listens: {listens}}}"
    told = findings(tmp_path, links(pilot), of="late-steering")
    assert [one.check for one in told] == ["late-steering.pilot"] * late


def test_just_inside_and_just_outside() -> None:
    """120 characters take a second at 1200 baud: 10 bits a character (IEC 61162-1)."""
    assert typical_length("APB") + typical_length("XTE") <= 120
    assert typical_length("APB") + typical_length("RMB") > 120
    assert typical_length("PXYZ1") + typical_length("DPT") <= 120


def test_the_sum_is_told(tmp_path: Path) -> None:
    pilot = "pilot: {adapter: {serial: A2}, baud: 1200, listens: {APB: 0.2, RMB: 0.2}}"
    (told,) = findings(tmp_path, links(pilot), of="late-steering")
    seconds = (typical_length("APB") + typical_length("RMB")) / 120
    assert f"{seconds:.1f} s" in told.message
