# SPDX-License-Identifier: GPL-3.0-or-later
"""Channels that the country allows and the radio has, and tablets that the radio serves."""

from __future__ import annotations

from pathlib import Path

import pytest

from provision import boards, checks
from provision.checks.network import regdb, wifi
from tests.unit.checks.radio_rules import EUROPE
from tests.unit.checks.tern import boat, found


@pytest.fixture(autouse=True)
def table(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: regdb.parse(EUROPE))


@pytest.mark.parametrize(
    ("channel", "level", "words"),
    [
        (1, None, ""),
        (13, None, ""),
        (14, "error", "channel 14 in GB is not allowed"),
        (15, "error", "no 20 MHz channel 15"),
        (37, "error", "no 20 MHz channel 37"),
        (36, "warning", "indoor use only"),
        (52, "error", "radar detection"),
        (149, "error", "not allowed for an access point"),
        (165, "error", "not allowed for an access point"),
        (100, "error", "channel 100 in GB is not allowed"),
    ],
)
def test_channels(tmp_path: Path, channel: int, level: str | None, words: str) -> None:
    findings = checks.check([boat(tmp_path, ("channel: 6", f"channel: {channel}"))])
    assert [finding.level for finding in findings] == ([level] if level else [])
    for finding in findings:
        assert words in finding.message
        assert finding.location.key == "network.access_point.channel"


def test_a_country_that_the_kernel_does_not_know(tmp_path: Path) -> None:
    assert found(boat(tmp_path, ("country: GB", "country: QQ"))) == [("error", "wifi-country")]


def test_a_band_that_the_radio_has_not(tmp_path: Path) -> None:
    tern = boat(tmp_path, ("bcm2711-rpi-4-b", "bcm2837-rpi-3-b"), ("channel: 6", "channel: 36"))
    (finding,) = checks.check([tern])
    assert "has no 5 GHz band" in finding.message


@pytest.mark.parametrize(
    ("country", "channel", "expected"),
    [
        ("GB", 11, []),
        ("GB", 13, [("warning", "wifi-unchecked")]),
        ("US", 11, []),
        ("US", 12, [("error", "wifi-channel")]),
        ("JP", 14, [("error", "wifi-channel")]),
        ("US", 36, [("warning", "wifi-unchecked")]),
        ("US", 52, [("error", "wifi-channel")]),
        ("GB", 144, [("error", "wifi-channel")]),
    ],
)
def test_channels_without_the_kernels_table(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    country: str,
    channel: int,
    expected: list[tuple[str, str]],
) -> None:
    monkeypatch.setattr(regdb, "read_installed", lambda: None)
    tern = boat(tmp_path, ("country: GB, channel: 6", f"country: {country}, channel: {channel}"))
    assert found(tern) == expected


@pytest.mark.parametrize(("more", "expected"), [(0, []), (1, [("warning", "wifi-clients")])])
def test_more_tablets_than_the_radio_serves(
    tmp_path: Path, more: int, expected: list[tuple[str, str]]
) -> None:
    number = boards.board("bcm2711-rpi-4-b").wifi.clients + more
    entries = ", ".join(f't{i}: {{mac: "02:00:00:00:00:{i:02x}"}}' for i in range(number))
    tern = boat(tmp_path, ("network:", f"network:\n  tablets: {{{entries}}}"))
    assert found(tern) == expected


@pytest.mark.parametrize(
    ("channel", "megahertz"),
    [(1, 2412), (6, 2437), (13, 2472), (14, 2484), (36, 5180), (165, 5825)],
)
def test_frequencies(channel: int, megahertz: int) -> None:
    """IEEE Std 802.11, channel numbers and centre frequencies."""
    assert wifi.channel_frequency(channel) == megahertz


@pytest.mark.parametrize(
    "data", [b"", b"RGDB", b"RGDB\0\0\0\x13" + b"\0" * 8, EUROPE[:-1], b"XXXX" + EUROPE[4:]]
)
def test_a_damaged_database_is_refused(data: bytes) -> None:
    with pytest.raises(ValueError, match="regulatory database"):
        regdb.parse(data)


@pytest.mark.skipif(
    not any(file.exists() for file in regdb.TABLE_FILES), reason="needs the package wireless-regdb"
)
def test_what_the_kernel_itself_enforces() -> None:
    """The wireless-regdb package's regulatory.db: the cases that boats run into."""
    file = next(file for file in regdb.TABLE_FILES if file.exists())
    table = regdb.parse(file.read_bytes())

    def allowed(country: str, channel: int) -> bool:
        centre = wifi.channel_frequency(channel)
        assert centre is not None
        rule = regdb.find_rule(table[country], centre)
        return rule is not None and not (rule.radar or rule.no_initiate or rule.no_ofdm)

    barred = {
        c
        for c in table
        if not all(allowed(c, channel) for channel in wifi.CHANNELS_ALLOWED_EVERYWHERE)
    }
    # One country's whole 2.4 GHz band is marked for radar detection.
    assert barred <= {"TG"}
    assert set(wifi.COUNTRIES_WITHOUT_12_13) <= set(table)
    assert allowed("GB", 13)
    assert not allowed("US", 12)
    assert not allowed("GB", 14)
    assert not allowed("JP", 14)
    assert not allowed("GB", 52)
