# SPDX-License-Identifier: GPL-3.0-or-later
"""Draft a link of a profile from what was heard on an NMEA 2000 network."""

from __future__ import annotations

from collections.abc import Collection

from pydantic import ValidationError

from provision.onboard.feed.nmea2000.pgn import GROUPS
from provision.profile.schema.links import CanConfig
from provision.profile.yaml.tree import Plain
from provision.survey.draft.link import DraftLink, comment_lines
from provision.survey.draft.naming import unique_name
from provision.survey.draft.rates import round_rate
from provision.survey.groups import NetworkReport

#: What a network is called.
NAME = "backbone"

#: The rate of a kind of data of which a group came once: a profile's without a rate.
USUAL_RATE = 1.0


def kinds_of(report: NetworkReport) -> dict[str, float]:
    """Return the kinds of data that the feed can make of a network's groups, with their rates."""
    kinds: dict[str, float] = {}
    for group in report.groups:
        makes = GROUPS[group.pgn].makes.values() if group.pgn in GROUPS else ()
        for kind in makes:
            kinds[kind] = max(kinds.get(kind, 0.0), round_rate(group.rate or USUAL_RATE))
    return dict(sorted(kinds.items()))


def draft_network(report: NetworkReport, taken: Collection[str] = ()) -> DraftLink | None:
    """Draft the link of a network. None where the feed can make nothing of what was heard.

    `taken` are the names that the link cannot have.
    """
    kinds = kinds_of(report)
    talks: Plain = [*kinds] if all(rate == 1 for rate in kinds.values()) else {**kinds}
    value: dict[str, Plain] = {"can": report.device, "talks": talks}
    try:
        CanConfig.model_validate(value)
    except ValidationError:
        return None
    devices = len({group.source for group in report.groups})
    several = "s" if devices > 1 else ""
    said = [
        f"NMEA 2000 at {report.device}: what the feed can make of the groups of {devices} "
        f"device{several}"
    ]
    return DraftLink(unique_name(NAME, taken), value, comment_lines(said), heard=True)
