# SPDX-License-Identifier: GPL-3.0-or-later
"""Draft a link of a profile from what was heard on one port."""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from provision.profile.schema.links import LinkConfig
from provision.profile.yaml.render import flow
from provision.profile.yaml.tree import Plain
from provision.survey.adapters import Adapter
from provision.survey.draft.identity import identify
from provision.survey.draft.naming import link_name
from provision.survey.draft.rates import ONCE, fit, rates_of
from provision.survey.report import PortReport
from provision.survey.words import hub_of, socket_in_words

#: Characters of a line of a comment, and of one text in it: chips may report anything.
LINE_CHARS, MAX_TEXT_CHARS = 96, 400

#: What stands for sentences that are not known, in a link that is commented out.
_EXAMPLE = ["RMC"]

_FILL_IN = (
    "survey again with --into, or fill in the baud rate and what it talks, and take the # away "
    "before its name. An instrument that only listens, such as an autopilot, has "
    "`listens: [APB, RMB, XTE]` instead of talks"
)


@dataclass(frozen=True)
class DraftLink:
    """Hold a link as it is written, and what is said above it."""

    name: str
    value: dict[str, Plain]
    comment: tuple[str, ...]
    heard: bool
    """Whether the link is known well enough. Otherwise it is written as a comment."""

    @property
    def lines(self) -> list[str]:
        """Return the lines of the link without indentation."""
        entry = f"{self.name}: {flow(self.value)}"
        return [*(f"# {line}" for line in self.comment), entry if self.heard else f"# {entry}"]


def draft(
    report: PortReport, known: Sequence[Adapter], taken: Collection[str] = ()
) -> DraftLink | None:
    """Draft the link of a port. None for a port that is no USB adapter's.

    `known` are all adapters that are plugged in, `taken` the names that the link cannot have.
    """
    adapter = identify(report.adapter, known)
    if not adapter:
        return None
    name = link_name(report.looks_like if report.baud else "", taken)
    rates, lowered = fit(rates_of(report.sentences), report.baud or 4800)
    heard = bool(report.baud and rates)
    talks: Plain = [*rates] if all(rate == 1 for rate in rates.values()) else {**rates}
    value: dict[str, Plain] = {
        "adapter": adapter,
        "baud": report.baud or 4800,
        "talks": talks if heard else [*_EXAMPLE],
    }
    if report.long:
        value["long"] = True
    heard = heard and _is_valid(value)
    said = [_where(report.adapter, known), *_guesses(report, lowered, heard)]
    said += report.advice if heard else [*report.advice, _FILL_IN]
    return DraftLink(name, value, comment_lines(said), heard)


def _is_valid(value: dict[str, Plain]) -> bool:
    try:
        LinkConfig.model_validate(value)
    except ValidationError:
        return False
    return True


def _where(adapter: Adapter, known: Sequence[Adapter]) -> str:
    hubs = {hub_of(other.port) for other in known if hub_of(other.port)}
    name = f", {adapter.name}" if adapter.name else ""
    return f"{adapter.device} ({socket_in_words(adapter.port, hubs)}){name}"


def _guesses(report: PortReport, lowered: bool, heard: bool) -> list[str]:
    """Say what is guessed or unknown of a link."""
    if not heard:
        return ["silent" if report.state == "silent" else f"not known: {report.state}"]
    said = [f"guessed from its sentences: {report.looks_like}"]
    if once := [name for name, rate in report.sentences.items() if rate is None]:
        said.append(f"{', '.join(once)} came once: the rate {ONCE:g} is guessed")
    if lowered:
        said.append("its rates are lowered to what ordinary sentences need of the baud rate")
    return said


def comment_lines(said: Sequence[str]) -> tuple[str, ...]:
    """Write texts as sentences of a comment, in lines without what a comment cannot hold."""
    plain = ("".join(c if c.isprintable() else "?" for c in text) for text in said)
    sentences = (text[:MAX_TEXT_CHARS].strip().rstrip(".") for text in plain)
    text = " ".join(
        f"{one[:1].upper()}{one[1:]}{'' if one[-1] in '?!' else '.'}" for one in sentences if one
    )
    return tuple(textwrap.wrap(text, LINE_CHARS, break_on_hyphens=False, break_long_words=True))
