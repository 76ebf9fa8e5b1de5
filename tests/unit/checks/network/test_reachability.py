# SPDX-License-Identifier: GPL-3.0-or-later
"""Hosts, ports and networks that the feed can and cannot reach."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.unit.checks.pilot_boat import findings, found


@pytest.mark.parametrize(
    ("address", "wired", "expected"),
    [
        ("10.47.9.60", "boat", []),
        ("10.47.9.204", "boat", []),  # chart-table's
        ("10.47.9.150", "boat", [("warning", "")]),
        ("10.47.9.1", "boat", [("error", "")]),
        ("10.47.9.0", "boat", [("error", "")]),
        ("10.47.9.255", "shore", [("error", "")]),
        ("192.0.2.7", "boat", [("error", "")]),
        ("192.0.2.7", "shore", []),
    ],
)
def test_hosts_that_can_be_reached(
    tmp_path: Path, address: str, wired: str, expected: list[tuple[str, str]]
) -> None:
    port = ("  tablets:", f"  wired: {wired}\n  tablets:")
    source = ("inputs: {}", f'inputs: {{ais: {{tcp: "{address}:10110"}}}}')
    assert found(tmp_path, port, source) == [(level, "input-host.ais") for level, _ in expected]
    outputs = ("feed: {}", f"feed: {{udp: [10.47.9.61, {address}]}}")
    told = findings(tmp_path, port, outputs)
    assert [(f.level, f.check) for f in told] == [
        (level, f"udp-host.{address}") for level, _ in expected
    ]
    assert all(finding.location.key == "feed.udp[1]" for finding in told)


def test_ports_for_programs_with_privileges(tmp_path: Path) -> None:
    inputs = ("inputs: {}", "inputs: {one: {udp: 1023}, two: {listen: 1024}}")
    assert found(tmp_path, inputs, ("feed: {}", "feed: {tcp: 80}")) == [
        ("error", "port.80"),
        ("error", "port.1023"),
    ]


def test_multicast_wants_the_wired_port(tmp_path: Path) -> None:
    multicast = ("feed: {}", "feed: {multicast: true}")
    assert found(tmp_path, multicast) == []
    assert found(tmp_path, multicast, ("  tablets:", "  wired: shore\n  tablets:")) == [
        ("error", "multicast")
    ]


@pytest.mark.parametrize(
    ("address", "wired", "expected"),
    [
        ("192.168.1.1/24", "shore", True),
        ("192.168.1.1/24", "boat", False),
        ("192.168.0.1/16", "shore", True),
        ("10.47.9.1/24", "shore", False),
        ("192.168.77.1/24", "shore", False),
    ],
)
def test_a_network_that_the_shore_has_too(
    tmp_path: Path, address: str, wired: str, expected: bool
) -> None:
    own = ("  address: 10.47.9.1/24\n", f"  address: {address}\n  wired: {wired}\n")
    told = findings(tmp_path, own)
    assert [one.check for one in told] == ["shore-network"] * expected
    assert all("10.47.1.1/24" in one.hint and one.level == "warning" for one in told)
