# SPDX-License-Identifier: GPL-3.0-or-later
"""The ports that can be reached on the boat are exactly those that the profile opens."""

from __future__ import annotations

import json
import re
from typing import Any

from provision.onboard.feed.nmea0183.transmission_groups import GROUPS
from provision.profile.schema.charts import CHARTS_PORT
from provision.verify.job import Answers, Command, Job, same

#: test_default_is_drop sees to the policies.
POLICY = re.compile(r"policy \w+;")

#: Loads the file into an empty network namespace, so that both sides are printed alike.
FRESH = "nft --file /etc/nftables.conf && exec nft --stateless list ruleset"


def commands(_: Job) -> dict[str, Command]:
    """Return what to ask the boat."""
    return {
        "sockets": ["ss", "--no-header", "--listening", "--numeric", "--tcp", "--udp"],
        "range": ["cat", "/proc/sys/net/ipv4/ip_local_port_range"],
        "rules": ["nft", "--json", "list", "ruleset"],
        "loaded": ["nft", "--stateless", "list", "ruleset"],
        "written": ["unshare", "--net", "sh", "-c", FRESH],
    }


def sockets(text: str, senders: range, wanted: set[tuple[str, int]]) -> set[tuple[str, int]]:
    """Protocol and port of every socket that others than the boat itself could reach.

    A UDP port out of `senders` that is not `wanted` is one that the kernel gave to a program
    for sending.
    """
    found = set()
    for line in text.splitlines():
        protocol, _, _, _, local = line.split()[:5]
        address, port = local.rsplit(":", 1)
        inside = address.startswith(("127.", "[::1]"))
        socket = (protocol, int(port))
        sending = protocol == "udp" and int(port) in senders and socket not in wanted
        if not inside and not sending:
            found.add(socket)
    return found


def expected(profile: dict[str, Any]) -> set[tuple[str, int]]:
    """SSH, the feed and its inputs, page and charts, name service and DHCP; from shore, answers to
    a DHCP client."""
    inputs = profile["inputs"].values()
    wanted = {("tcp", 22), ("tcp", profile["feed"]["tcp"])}
    wanted |= {("tcp", 53), ("udp", 53), ("udp", 67)}
    if profile["network"]["wired"] == "shore":
        wanted |= {("udp", 68)}
    wanted |= {("tcp", source["listen"]) for source in inputs if source["listen"]}
    wanted |= {("udp", source["udp"]) for source in inputs if source["udp"]}
    wanted |= {("tcp", 80)} if profile.get("page") else set()
    wanted |= {("tcp", CHARTS_PORT)} if profile.get("charts") else set()
    groups = [group for source in inputs for group in source["multicast"] or ()]
    return wanted | {("udp", GROUPS[group][1]) for group in groups}


def test_listening(facts: Answers, profile: dict[str, Any]) -> None:
    """Every port that the profile opens is served, and no other is."""
    first, last = map(int, facts["range"].ok().output.split())
    wanted = expected(profile)
    found = sockets(facts["sockets"].ok().output, range(first, last + 1), wanted)
    wrong = [f"{protocol} {port}" for protocol, port in sorted(found ^ wanted)]
    assert wrong == [], f"open but not wanted, or wanted but not open: {', '.join(wrong)}"


def test_default_is_drop(facts: Answers) -> None:
    """Packets that no rule lets in or through are dropped."""
    items = json.loads(facts["rules"].ok().output)["nftables"]
    chains = [item["chain"] for item in items if "chain" in item]
    policies = {
        chain["hook"]: chain["policy"]
        for chain in chains
        if chain["family"] == "inet" and chain.get("type") == "filter"
    }
    for hook in ("input", "forward"):
        same(policies.get(hook), "drop", f"what becomes of the rest at {hook}")
    assert len(policies) == 2, f"chains at {', '.join(sorted(policies))}"


def test_rules_as_written(facts: Answers) -> None:
    """The rules that are loaded are those of the file, no more and no fewer."""
    loaded, written = (
        [line.strip() for line in POLICY.sub("", facts[name].ok().output).splitlines()]
        for name in ("loaded", "written")
    )
    wrong = [line for line in loaded if line not in written]
    wrong += [line for line in written if line not in loaded]
    assert wrong == [], f"loaded but not written, or written but not loaded: {'; '.join(wrong)}"
    assert loaded == written, "the rules are loaded in another order"
