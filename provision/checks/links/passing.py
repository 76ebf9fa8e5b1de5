# SPDX-License-Identifier: GPL-3.0-or-later
"""Tell which sentences can come in and pass a filter."""

from __future__ import annotations

from provision.onboard.feed.nmea2000.pgn import MADE_OF
from provision.profile.schema.boat import Profile
from provision.profile.schema.links import CanConfig, FilterConfig, InputConfig, LinkConfig

Source = LinkConfig | CanConfig | InputConfig


def may_pass(passes: FilterConfig | None, formatter: str, origin: str = "") -> bool:
    """Tell if sentences with this formatter, of any talker, can pass from `origin`.

    A pattern that names a talker stops that talker's sentences only, so others can pass.
    """
    if passes is None:
        return True
    kinds = {(formatter, origin), (formatter, None), (None, origin), (None, None)}
    if passes.only_kinds is not None and kinds.isdisjoint(passes.only_kinds):
        return False
    return kinds.isdisjoint(passes.but_kinds)


def sources_of(profile: Profile) -> dict[str, Source]:
    """Return all links and inputs by name."""
    return {**profile.links, **profile.inputs}


def taken_rates(source: Source) -> dict[str, float]:
    """Return the sentences a second by formatter that the feed takes of a source."""
    if isinstance(source, CanConfig):
        sent = {name: rate for kind, rate in source.talks.items() for name in MADE_OF[kind]}
    else:
        sent = source.talks
    return {name: rate for name, rate in sent.items() if may_pass(source.takes, name)}
