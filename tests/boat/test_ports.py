# SPDX-License-Identifier: GPL-3.0-or-later
"""What can be reached on the boat: exactly what the profile opens."""

from __future__ import annotations

import json
from typing import Any

import pytest

from provision.push.suite import Answer

#: Loads the file into an empty network namespace, so that both sides are printed alike.
FRESH = "nft --file /etc/nftables.conf && exec nft --stateless list ruleset"


@pytest.fixture(scope="module")
def facts(aboard: Any) -> dict[str, Answer]:
    return aboard(
        {
            "sockets": ["ss", "--no-header", "--listening", "--numeric", "--tcp", "--udp"],
            "rules": ["nft", "--json", "list", "ruleset"],
            "loaded": ["nft", "--stateless", "list", "ruleset"],
            "written": ["unshare", "--net", "sh", "-c", FRESH],
        }
    )


def sockets(text: str) -> set[tuple[str, int]]:
    """Protocol and port of every socket that others than the boat itself can reach."""
    found = set()
    for line in text.splitlines():
        protocol, _, _, _, local = line.split()[:5]
        address, port = local.rsplit(":", 1)
        if not address.startswith(("127.", "[::1]")):
            found.add((protocol, int(port)))
    return found


def expected(profile: dict[str, Any]) -> set[tuple[str, int]]:
    """SSH, the feed, name service and DHCP; from shore, the answers to a DHCP client."""
    wanted = {("tcp", 22), ("tcp", profile["feed"]["tcp"])}
    wanted |= {("tcp", 53), ("udp", 53), ("udp", 67)}
    if profile["network"]["wired"] == "shore":
        wanted |= {("udp", 68)}
    return wanted


def test_listening(facts: dict[str, Answer], profile: dict[str, Any]) -> None:
    assert sockets(facts["sockets"].ok().output) == expected(profile)


def test_default_is_drop(facts: dict[str, Answer]) -> None:
    """What no rule lets in or through is dropped."""
    items = json.loads(facts["rules"].ok().output)["nftables"]
    chains = [item["chain"] for item in items if "chain" in item]
    policies = {chain["hook"]: chain["policy"] for chain in chains if "hook" in chain}
    assert (policies.get("input"), policies.get("forward")) == ("drop", "drop")


def test_rules_as_written(facts: dict[str, Answer]) -> None:
    """The rules that are loaded are those of the file, no more and no fewer."""
    assert facts["loaded"].ok().output == facts["written"].ok().output
