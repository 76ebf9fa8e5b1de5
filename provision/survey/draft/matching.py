# SPDX-License-Identifier: GPL-3.0-or-later
"""Find out which links of a profile the reports of a survey are about."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from provision.profile.schema.links import LinkConfig
from provision.survey.draft.heard import Heard
from provision.survey.draft.identity import is_named_by
from provision.survey.draft.rates import rates_of
from provision.survey.report import PortReport

#: The share of sentences, of all that a link and a port say, that both have to say.
SAME_SHARE = 0.5


@dataclass(frozen=True)
class Moved:
    """Ask whether a link's instrument is now behind another adapter."""

    link: str
    config: LinkConfig
    report: PortReport
    is_alone: bool
    """No other adapter may be the link's, no other link may be the adapter's, and both are seen
    from the boat's own computer or have serial numbers."""


Ask = Callable[[Moved], bool]


@dataclass
class Matches:
    """Hold what was found on the ports of links, and what belongs to none."""

    known: dict[str, PortReport] = field(default_factory=dict)
    """By link, on the adapter that the profile names."""
    moved: dict[str, PortReport] = field(default_factory=dict)
    """By link, on another adapter, as was answered."""
    absent: list[str] = field(default_factory=list)
    """The links whose adapter is not plugged in."""
    unclear: list[str] = field(default_factory=list)
    """The links that several adapters may be meant by."""
    new: list[PortReport] = field(default_factory=list)


def likeness(link: LinkConfig, report: PortReport) -> float:
    """Return the share of the sentences of a link and a port that both have."""
    talks, heard = {*link.talks}, {*rates_of(report.sentences)}
    return len(talks & heard) / len(talks | heard) if talks and heard else 0.0


def match(links: Mapping[str, LinkConfig], heard: Heard, ask: Ask) -> Matches:
    """Match reports with links, first by adapter and then by sentences."""
    found = Matches()
    left = [*heard.reports]
    for name, link in links.items():
        named = [one for one in heard.reports if _is_meant(link, one, heard.aboard)]
        if len(named) > 1:
            named = _most_alike(link, named)
        if len(named) == 1 and named[0] in left:
            found.known[name] = named[0]
            left.remove(named[0])
        elif named:
            found.unclear.append(name)
        elif not _is_plugged_in(link, heard):
            found.absent.append(name)
    _match_moved(links, found, left, ask, aboard=heard.aboard)
    unclear = [links[name] for name in found.unclear]
    found.new = [
        one for one in left if not any(_is_meant(link, one, heard.aboard) for link in unclear)
    ]
    return found


def _is_plugged_in(link: LinkConfig, heard: Heard) -> bool:
    """Report whether an adapter that was perhaps not listened to is the link's."""
    seen = heard.known if heard.aboard or link.adapter.serial is not None else ()
    return any(is_named_by(one, link.adapter) for one in seen)


def _is_meant(link: LinkConfig, report: PortReport, aboard: bool) -> bool:
    by_chance = link.adapter.port is not None and not aboard
    return is_named_by(report.adapter, link.adapter) and (
        not by_chance or likeness(link, report) >= SAME_SHARE
    )


def _most_alike(link: LinkConfig, reports: Sequence[PortReport]) -> list[PortReport]:
    """Return the one report that says what the link talks, or all."""
    alike = [one for one in reports if likeness(link, one) >= SAME_SHARE]
    return alike if len(alike) == 1 else [*reports]


def _match_moved(
    links: Mapping[str, LinkConfig],
    found: Matches,
    left: list[PortReport],
    ask: Ask,
    *,
    aboard: bool,
) -> None:
    """Ask of each absent link, the most alike first, whether an adapter without a link is its."""
    pairs = [
        (likeness(links[name], report), name, report)
        for name in found.absent
        for report in left
        if likeness(links[name], report) >= SAME_SHARE
    ]
    for _, name, report in sorted(pairs, key=lambda pair: -pair[0]):
        if name not in found.absent or report not in left:
            continue
        rivals = [(n, r) for _, n, r in pairs if (n == name) != (r is report)]
        is_seen = aboard or (links[name].adapter.serial is not None and bool(report.adapter.serial))
        if ask(Moved(name, links[name], report, is_alone=not rivals and is_seen)):
            found.moved[name] = report
            found.absent.remove(name)
            left.remove(report)
