# SPDX-License-Identifier: GPL-3.0-or-later
"""Guess whom to believe first where several links tell the same kind of data."""

from __future__ import annotations

from collections.abc import Mapping
from math import ceil

from provision.checks import Finding
from provision.checks.links.passing import sources_of
from provision.checks.sources.preference import rates_of_kind
from provision.profile.load import Boat
from provision.profile.yaml.tree import Plain
from provision.survey.likely import INSTRUMENTS

#: The check that asks for an order.
ASKED_BY = "no-preference"

#: Seconds of silence that a profile has without the key (`PreferConfig`), and at most.
SILENCE_S, MAX_SILENCE_S = 10, 3600


def order_sources(
    boat: Boat, findings: list[Finding], looks_like: Mapping[str, str]
) -> dict[str, Plain]:
    """Return `feed.prefer` for the kinds that `check` asks an order for. Empty for none.

    An instrument that is made for a kind goes first, then the one that tells it more often.
    `looks_like` are the instruments by link.
    """
    kinds = [one.check.partition(".")[2] for one in findings if one.kind == ASKED_BY]
    orders: dict[str, Plain] = {}
    slowest = 0.0
    for kind in kinds:
        often = {
            name: max(rates.values())
            for name, source in sources_of(boat.profile).items()
            if (rates := rates_of_kind(source, kind))
        }
        made_for = {name: looks_like.get(name) == INSTRUMENTS.get(kind) for name in often}
        ranks = {name: (not made_for[name], -rate) for name, rate in often.items()}
        orders[kind] = [*sorted(ranks, key=ranks.__getitem__)]
        slowest = max(slowest, *(2 / rate for rate in often.values()))
    if slowest > SILENCE_S:
        orders["silence"] = f"{min(ceil(slowest), MAX_SILENCE_S)} s"
    return orders
