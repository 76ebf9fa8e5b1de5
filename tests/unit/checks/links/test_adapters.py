# SPDX-License-Identifier: GPL-3.0-or-later
"""An adapter can send what its link listens for, and is told from others."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import checks
from tests.unit.checks.tern import boat, found, links


def test_an_adapter_that_only_receives_serves_no_listener(tmp_path: Path) -> None:
    one_way = "{serial: A, receives_only: true}"
    hears = links(f"pilot: {{adapter: {one_way}, talks: [HDG]}}")
    assert found(boat(tmp_path, hears)) == []
    sends = links(f"pilot: {{adapter: {one_way}, talks: [HDG], listens: [MTW]}}")
    assert found(boat(tmp_path, sends)) == [("error", "receives-only.pilot")]
    both = links("pilot: {adapter: {serial: A, receives_only: false}, listens: [MTW]}")
    assert found(boat(tmp_path, both)) == []


@pytest.mark.parametrize("serial", ["0001", '"0000"', '"00000000"', '"12345678"', '"0"'])
def test_a_serial_number_that_many_chips_share(tmp_path: Path, serial: str) -> None:
    """0001 is the one that a CP210x leaves the factory with, from memory."""
    tern = boat(tmp_path, ("TN-GNSS-01", serial if serial[0] == '"' else f'"{serial}"'))
    assert found(tern) == [("warning", "default-serial.gnss")]
    (finding,) = checks.check([tern])
    assert finding.location.key == "links.gnss.adapter.serial"


@pytest.mark.parametrize("serial", ['"0002"', "A50285BI", '"10000"', "0001A", '"12345670"'])
def test_a_serial_number_of_its_own(tmp_path: Path, serial: str) -> None:
    assert found(boat(tmp_path, ("TN-GNSS-01", serial))) == []
