# SPDX-License-Identifier: GPL-3.0-or-later
"""The boat's Wi-Fi is on the air as the profile names it, and gives out addresses."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from provision.verify.job import Answers, Command, Job, pairs, same

ESCAPED = re.compile(rb"\\(x[0-9a-fA-F]{2}|.)", re.DOTALL)
LETTERS = {b"n": b"\n", b"r": b"\r", b"t": b"\t", b"e": b"\x1b"}


def octets(text: str) -> bytes:
    """Return an SSID as hostapd_cli and iw print it, as the octets on the air."""

    def plain(match: re.Match[bytes]) -> bytes:
        code = match[1]
        if len(code) > 1:
            return bytes([int(code[1:], 16)])
        return LETTERS.get(code, code)

    return ESCAPED.sub(plain, text.encode())


#: Prints names and hardware addresses of the pass-phrases that hostapd's file holds, no more.
NAMES = r"s/^keyid=\(\S\+ \S\+\) .*/\1/p"
PSK_FILE = "/etc/hostapd/boat.psk"


def own(profile: dict[str, Any]) -> dict[str, str]:
    """Return the hardware addresses of the tablets with a pass-phrase of their own, by name."""
    tablets = profile["network"]["tablets"]
    return {name: each["mac"] for name, each in tablets.items() if each["own_pass_phrase"]}


def commands(job: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    tablets = own(job.profile)
    asked: dict[str, Command] = {
        f"station {name}": ["boat-stations", "--ask", mac] for name, mac in tablets.items()
    }
    if tablets:
        asked["names"] = ["sed", "-n", NAMES, PSK_FILE]
        asked["written"] = ["sha256sum", PSK_FILE]
        asked["read"] = ["cat", "/run/hostapd/psk.sha256"]
        asked["state"] = ["boat-feed", "--state"]
    return asked | {
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
    """Give what is sent; test_enabled fails where nothing is."""
    if status.get("state") != "ENABLED":
        pytest.skip("the radio is not on")
    return status


def test_enabled(status: dict[str, str]) -> None:
    """hostapd can run without a working radio; it says ENABLED only with one."""
    assert status.get("state") == "ENABLED", f"the radio is {status.get('state', 'unknown')}"


def test_ssid(on_air: dict[str, str], profile: dict[str, Any]) -> None:
    same(octets(on_air["ssid[0]"]), profile["network"]["access_point"]["ssid"].encode(), "the SSID")


def test_channel(on_air: dict[str, str], profile: dict[str, Any]) -> None:
    same(on_air["channel"], str(profile["network"]["access_point"]["channel"]), "the channel")


@pytest.mark.usefixtures("on_air")
def test_country(facts: Answers, profile: dict[str, Any]) -> None:
    """The kernel holds the radio to the rules of the country that the profile names."""
    countries = re.findall(r"^country (\w\w):", facts["country"].ok().output, re.MULTILINE)
    country = profile["network"]["access_point"]["country"]
    assert country in countries, (
        f"the radio keeps to {', '.join(countries) or 'none'}, not {country}"
    )


def test_address(facts: Answers, profile: dict[str, Any]) -> None:
    """The boat has its own address; test_ports.py sees that a DHCP server gives out others."""
    there, wanted = facts["addresses"].ok().output.split()[2:], profile["network"]["address"]
    assert wanted in there, f"its address is {', '.join(there) or 'none'}, not {wanted}"


@pytest.mark.usefixtures("on_air")
def test_own_pass_phrase(own_tablet: str, facts: Answers, profile: dict[str, Any]) -> None:
    """hostapd has read the tablet's pass-phrase, and the feed learns from it who has joined."""
    named = dict(line.split() for line in facts["names"].ok().output.splitlines())
    same(named.get(own_tablet), own(profile)[own_tablet], "the tablet's hardware address")
    read, written = (facts[name].ok().output.split()[0] for name in ("read", "written"))
    assert read == written, "hostapd has not read the pass-phrases that its file holds now"
    told = json.loads(facts[f"station {own_tablet}"].ok().output)
    assert "error" not in told, told["error"]
    steering = profile["steering"]
    if steering and own_tablet in steering["senders"]:
        said = json.loads(facts["state"].ok().output)["steering"]["tablets"].get(own_tablet, "")
        assert said and not said.startswith("not known"), f"the feed says: {said}"
