# SPDX-License-Identifier: GPL-3.0-or-later
"""Write the profile of a boat that has none from what a survey heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.checks import Finding, check
from provision.errors import UserError
from provision.profile import load
from provision.profile.access_keys import OPERATOR
from provision.profile.load import Boat
from provision.profile.yaml.render import flow
from provision.profile.yaml.tree import Plain
from provision.survey.draft.club import Club, free_address
from provision.survey.draft.heard import Heard
from provision.survey.draft.link import DraftLink, draft
from provision.survey.draft.prefer import order_sources

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
class NewProfile:
    """Hold a profile that is not written yet, and what `check` finds in it."""

    text: str
    drafts: Sequence[DraftLink]
    findings: Sequence[Finding]
    unnamed: Sequence[str]
    """The ports that are no USB adapter's: no profile can name them."""


def new_profile(file: Path, heard: Heard, club: Club, choose: Choices) -> NewProfile:
    """Draft the profile of the boat that `file` is called after.

    Raise UserError when no instrument was heard, and
    UserErrors when the profile is invalid, for what its included files say.
    """
    drafts, unnamed, looks_like = _links(heard, club)
    if not any(link.heard for link in drafts):
        raise UserError(
            "no instrument was heard on a USB adapter; no profile was written",
            hint="switch the instruments on, look at what is said of each port, and survey again",
        )
    text = compose(file.stem, club, choose, drafts, {})
    boat, findings = _check(file, text, club)
    if order := order_sources(boat, findings, looks_like):
        text = compose(file.stem, club, choose, drafts, order)
        boat, findings = _check(file, text, club)
    return NewProfile(text, drafts, findings, unnamed)


def _check(file: Path, text: str, club: Club) -> tuple[Boat, list[Finding]]:
    boat = load.read(file, text)
    return boat, check([boat], club.boats)


def _links(heard: Heard, club: Club) -> tuple[list[DraftLink], list[str], dict[str, str]]:
    """Return the links, those that were heard first, the ports without a link, and instruments."""
    taken = {
        name for part in ("links", "inputs") if club.says(part) for name in club.keys.get(part, ())
    }
    drafts, unnamed, looks_like = [], [], {}
    for report in heard.reports:
        link = draft(report, heard.known, taken)
        if link is None:
            unnamed.append(report.adapter.device)
            continue
        taken.add(link.name)
        looks_like[link.name] = report.looks_like
        drafts.append(link)
    return sorted(drafts, key=lambda link: not link.heard), unnamed, looks_like


def compose(
    name: str, club: Club, choose: Choices, drafts: Sequence[DraftLink], order: dict[str, Plain]
) -> str:
    """Write the text of a profile."""
    lines = [
        f"# {name} as `provision survey --new {name}` heard her on {choose.today}.",
        "# The comments say what is guessed or unknown.",
        f"boat: {name}",
    ]
    if club.includes:
        lines.append(f"includes: {flow([*club.includes])}")
    lines.append(f"board: {choose.board}")
    lines += _network(name, club, choose)
    lines.append("links:")
    lines += [f"  {line}" for link in drafts for line in link.lines]
    if order:
        lines.append("# Guessed: whom to believe first where several links tell the same.")
        lines.append(f"feed: {flow({'prefer': order})}")
    if not club.says("access", "keys"):
        lines.append("# Who may log in: `provision keys` makes this first key.")
        lines.append(f"access: {{keys: [{OPERATOR}.pub]}}")
    return "".join(f"{line}\n" for line in lines)


def _network(name: str, club: Club, choose: Choices) -> list[str]:
    point: dict[str, Plain] = {"ssid": name.replace("-", " ").title()}
    guessed = ["the Wi-Fi's name is the boat's"]
    if not club.says("network", "access_point", "country"):
        point["country"] = choose.country
    if not club.says("network", "access_point", "channel"):
        point["channel"] = CHANNEL
        guessed.append(f"channel {CHANNEL} is allowed nearly everywhere")
    lines = ["network:", f"  # Guessed: {'; '.join(guessed)}."]
    if not club.says("network", "address"):
        lines.insert(1, "  # Guessed: the first network that no other boat of the folder has.")
        lines.insert(2, f"  address: {free_address(club.boats)}")
    return [*lines, f"  access_point: {flow(point)}"]
