# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's Wi-Fi is on the air as the profile names it, and gives out addresses."""

from __future__ import annotations

import re
from typing import Any

import pytest

from provision.push.suite import Answers, Command, Job, pairs

ESCAPED = re.compile(rb"\\(x[0-9a-fA-F]{2}|.)", re.DOTALL)
LETTERS = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"e": b"\x1b"}


def octets(text: str) -> bytes:
    """An SSID as hostapd_cli and iw print it, as the octets on the air."""

    def plain(match: re.Match[bytes]) -> bytes:
        code = match[1]
        if len(code) > 1:
            return bytes([int(code[1:], 16)])
        return LETTERS.get(code, code)

    return ESCAPED.sub(plain, text.encode())


def commands(_: Job) -> dict[str, Command]:
    """What to ask the boat."""
    return {
        "status": ["hostapd_cli", "-i", "wlan0", "status"],
        "country": ["iw", "reg", "get"],
        "addresses": ["ip", "-brief", "-4", "address", "show", "dev", "boat0"],
    }


@pytest.fixture(scope="module")
def status(facts: Answers, needs: Any) -> dict[str, str]:
    needs("hostapd.service")
    return pairs(facts["status"].ok().output)


@pytest.fixture
def on_air(status: dict[str, str]) -> dict[str, str]:
    """What is sent; test_enabled fails where nothing is."""
    if status.get("state") != "ENABLED":
        pytest.skip("the radio is not on")
    return status


def test_enabled(status: dict[str, str]) -> None:
    """hostapd can run without a working radio; it says ENABLED only with one."""
    assert status.get("state") == "ENABLED", f"the radio is {status.get('state', 'unknown')}"


def test_ssid(on_air: dict[str, str], profile: dict[str, Any]) -> None:
    assert octets(on_air["ssid[0]"]) == profile["network"]["access_point"]["ssid"].encode()


def test_channel(on_air: dict[str, str], profile: dict[str, Any]) -> None:
    assert on_air["channel"] == str(profile["network"]["access_point"]["channel"])


@pytest.mark.usefixtures("on_air")
def test_country(facts: Answers, profile: dict[str, Any]) -> None:
    """The kernel holds the radio to the rules of the country that the profile names."""
    countries = re.findall(r"^country (\w\w):", facts["country"].ok().output, re.MULTILINE)
    assert profile["network"]["access_point"]["country"] in countries


def test_address(facts: Answers, profile: dict[str, Any]) -> None:
    """The boat has its own address; test_ports.py sees that a DHCP server gives out others."""
    assert profile["network"]["address"] in facts["addresses"].ok().output.split()
