# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that it is clear which source of each kind of data is believed."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.checks.links.passing import Source, may_pass, sources_of
from provision.onboard.feed.nmea0183.kinds import KINDS
from provision.onboard.feed.nmea0183.validity import MUTE
from provision.profile.load import Boat
from provision.profile.schema.links import CanConfig

#: The sentences by which a source of each kind of data is chosen.
DECISIVE_FORMATTERS = {
    kind: tuple(name for name in formatters if name not in MUTE)
    for kind, formatters in KINDS.items()
}


def rates_of_kind(source: Source, kind: str) -> dict[str, float]:
    """Return the accepted sentences of a source that carry a kind of data, with their rates.

    Sentences that only accompany a kind of data (a rate of turn, a log's distance) do not count.
    """
    taken = [name for name in DECISIVE_FORMATTERS[kind] if may_pass(source.takes, name)]
    wanted = [kind] if isinstance(source, CanConfig) and taken else taken
    return {name: rate for name, rate in source.talks.items() if name in wanted}


def check(boat: Boat) -> Iterator[Finding]:
    """Find orders of preference that cannot work, and kinds of data that need one."""
    profile = boat.profile
    sources = sources_of(profile)
    # An input that lists no sentences may send any.
    unknown = [name for name, source in profile.inputs.items() if not source.talks]
    prefer = profile.feed.prefer
    orders = prefer.sources_by_kind if prefer else {}
    for kind in KINDS:
        telling = [name for name, source in sources.items() if rates_of_kind(source, kind)]
        if kind in orders:
            yield from _order(boat, kind, telling, unknown)
        elif len(telling) > 1:
            yield Finding(
                "warning",
                f"no-preference.{kind}",
                f"{_join_names(telling)} all tell {kind}, and tablets get it from each",
                boat.location("feed.prefer" if prefer else "feed"),
                f"say whom to believe first, with feed.prefer: {{{kind}: [{', '.join(telling)}]}}",
            )


def _order(boat: Boat, kind: str, telling: list[str], unknown: list[str]) -> Iterator[Finding]:
    profile = boat.profile
    prefer = profile.feed.prefer
    assert prefer is not None
    possible = {*telling, *unknown}
    for number, name in enumerate(prefer.sources_by_kind[kind]):
        location = boat.location(f"feed.prefer.{kind}[{number}]")
        if name not in possible:
            yield Finding(
                "error",
                f"prefer.{kind}.{name}",
                f"{name} tells nothing of {kind}",
                location,
                f"that would be {', '.join(DECISIVE_FORMATTERS[kind])} in what it talks",
            )
        source = profile.links.get(name) or profile.inputs[name]
        often = max(rates_of_kind(source, kind).values(), default=None)
        if often and prefer.silence < 2 / often:
            yield Finding(
                "warning",
                f"prefer-silence.{kind}.{name}",
                f"{name} tells {kind} every {1 / often:g} s, and counts as silent after "
                f"{prefer.silence:g} s",
                location,
                "let silence be twice as long as what lies between two sentences, or more",
            )
    if len(possible) == 1:
        yield Finding(
            "warning",
            f"prefer-alone.{kind}",
            f"nothing but {_join_names([*telling, *unknown])} tells {kind}: "
            "there is nothing to prefer",
            boat.location(f"feed.prefer.{kind}"),
            "add the second source under links or inputs, or take the order out",
        )


def _join_names(names: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
