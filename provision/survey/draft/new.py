# SPDX-License-Identifier: GPL-3.0-or-later
"""Draft the profile of a boat that has none from what a survey heard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from provision.checks import Finding, check
from provision.errors import UserError
from provision.profile import load
from provision.profile.load import Boat
from provision.survey.draft import hubs, prefer
from provision.survey.draft.club import Club
from provision.survey.draft.heard import Heard
from provision.survey.draft.link import DraftLink, draft
from provision.survey.draft.network import draft_network
from provision.survey.draft.text import Choices, Parts, compose


@dataclass(frozen=True)
class NewProfile:
    """Hold a profile that is not written yet, and what `check` finds in it."""

    text: str
    drafts: Sequence[DraftLink]
    findings: Sequence[Finding]
    unnamed: Sequence[str]
    """The ports that no profile can name, or that bring nothing for the feed."""


def new_profile(file: Path, heard: Heard, club: Club, choices: Choices) -> NewProfile:
    """Draft the profile of the boat that `file` is called after.

    Raise UserError when no instrument was heard, and UserErrors when the profile is invalid for
    what its included files say.
    """
    links = _draft_all(heard, club)
    if not any(link.heard for link in links.drafts):
        raise UserError(
            "no instrument was heard on a USB adapter or a network; no profile was written",
            hint="switch the instruments on, look at what is said of each port, and survey again",
        )
    parts = Parts(file.stem, club, choices, links.drafts)
    boat, findings = _check(file, parts, club)
    if any(one.check == hubs.ASKED_BY for one in findings):
        parts = replace(parts, hubs=hubs.guess_hubs([one.adapter for one in heard.reports]))
        boat, findings = _check(file, parts, club)
    if order := prefer.order_sources(boat, findings, links.looks_like):
        parts = replace(parts, order=order)
        boat, findings = _check(file, parts, club)
    return NewProfile(compose(parts), links.drafts, findings, links.unnamed)


def _check(file: Path, parts: Parts, club: Club) -> tuple[Boat, list[Finding]]:
    boat = load.read(file, compose(parts))
    return boat, check([boat], club.boats)


@dataclass
class _Links:
    """Collect the links of a new profile, those that were heard first."""

    taken: set[str]
    found: list[DraftLink] = field(default_factory=list)
    unnamed: list[str] = field(default_factory=list)
    looks_like: dict[str, str] = field(default_factory=dict)
    """The instrument by link."""

    def add(self, link: DraftLink | None, device: str, looks_like: str = "") -> None:
        if link is None:
            self.unnamed.append(device)
            return
        self.taken.add(link.name)
        self.looks_like[link.name] = looks_like
        self.found.append(link)

    @property
    def drafts(self) -> list[DraftLink]:
        return sorted(self.found, key=lambda link: not link.heard)


def _draft_all(heard: Heard, club: Club) -> _Links:
    said = [club.keys.get(part) for part in ("links", "inputs")]
    links = _Links({name for part in said if isinstance(part, dict) for name in part})
    for report in heard.reports:
        link = draft(report, heard.known, links.taken)
        links.add(link, report.adapter.device, report.looks_like)
    for network in heard.networks:
        links.add(draft_network(network, links.taken), network.device)
    return links
