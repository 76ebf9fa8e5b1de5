# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the text of a new profile, with comments that say what is guessed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from provision.profile.access_keys import OPERATOR
from provision.profile.yaml.render import flow
from provision.profile.yaml.tree import Plain
from provision.survey.draft.club import Club, free_address
from provision.survey.draft.link import DraftLink

#: Allowed nearly everywhere, and what a profile has without the key (IEEE Std 802.11).
CHANNEL = 6


@dataclass(frozen=True)
class Choices:
    """Hold what no survey can hear."""

    board: str
    country: str
    """As ISO 3166-1 alpha-2. Empty where the club's file has it."""
    today: str
    """The date of the survey, for the first line."""


@dataclass(frozen=True)
class Parts:
    """Hold what a new profile is made of."""

    name: str
    club: Club
    choices: Choices
    drafts: Sequence[DraftLink]
    hubs: dict[str, Plain] = field(default_factory=dict)
    """What stands under `usb.hubs`."""
    order: dict[str, Plain] = field(default_factory=dict)
    """What stands under `feed.prefer`."""


def compose(parts: Parts) -> str:
    """Write the text of a profile."""
    name, club = parts.name, parts.club
    lines = [
        f"# {name} as `provision survey --new {name}` heard her on {parts.choices.today}.",
        "# The comments say what is guessed or unknown.",
        f"boat: {name}",
    ]
    if club.includes:
        lines.append(f"includes: {flow([*club.includes])}")
    lines.append(f"board: {parts.choices.board}")
    lines += _network(parts)
    lines.append("links:")
    lines += [f"  {line}" for link in parts.drafts for line in link.lines]
    lines += _guesses(parts)
    if not club.says("access", "keys"):
        lines.append("# Who may log in: `provision keys` makes this first key.")
        lines.append(f"access: {{keys: [{OPERATOR}.pub]}}")
    return "".join(f"{line}\n" for line in lines)


def _network(parts: Parts) -> list[str]:
    club = parts.club
    point: dict[str, Plain] = {"ssid": parts.name.replace("-", " ").title()}
    guessed = ["the Wi-Fi's name is the boat's"]
    if parts.choices.country:
        point["country"] = parts.choices.country
    if not club.says("network", "access_point", "channel"):
        point["channel"] = CHANNEL
        guessed.append(f"channel {CHANNEL} is allowed nearly everywhere")
    lines = ["network:"]
    if not club.says("network", "address"):
        lines.append("  # Guessed: the first network that no other boat of the folder has.")
        lines.append(f"  address: {free_address(club.boats)}")
    return [*lines, f"  # Guessed: {'; '.join(guessed)}.", f"  access_point: {flow(point)}"]


def _guesses(parts: Parts) -> Sequence[str]:
    lines = []
    if parts.hubs:
        lines.append("# Guessed: more adapters than sockets are in a hub with its own 5 V supply.")
        lines.append("# If it has none, write own_supply: false; it then feeds four at most.")
        lines.append(f"usb: {flow({'hubs': parts.hubs})}")
    if parts.order:
        lines.append("# Guessed: whom to believe first where several links tell the same.")
        lines.append(f"feed: {flow({'prefer': parts.order})}")
    return lines
