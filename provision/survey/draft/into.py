# SPDX-License-Identifier: GPL-3.0-or-later
"""Bring what a survey heard into the links of a profile that its owner has written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from difflib import unified_diff

from provision.checks import Finding, check
from provision.errors import UserError, UserErrors
from provision.profile import load
from provision.profile.load import Boat
from provision.profile.schema.links import LinkConfig
from provision.profile.yaml.tree import Plain
from provision.survey.draft.corrections import (
    Draft,
    allow_long,
    correct_adapter,
    correct_baud,
    correct_talks,
    tell_apart,
)
from provision.survey.draft.heard import Heard
from provision.survey.draft.link import DraftLink, draft
from provision.survey.draft.matching import SAME_SHARE, Ask, Matches, likeness, match
from provision.survey.draft.network import draft_network, kinds_of
from provision.survey.draft.rates import rates_of
from provision.survey.report import PortReport


@dataclass(frozen=True)
class Change:
    """Hold what a profile's text becomes, and why."""

    before: str
    text: str
    changes: Sequence[str]
    left: Sequence[str]
    """What was not changed, and why."""
    findings: Sequence[Finding] = field(default=())
    """What `check` finds in the changed profile."""

    def diff(self, file: str) -> list[str]:
        """Return the lines of a unified diff, without their ends."""
        old, new = (_lines(text) for text in (self.before, self.text))
        return [*unified_diff(old, new, file, file, lineterm="")]


def _lines(text: str) -> list[str]:
    return [line.rstrip("\r\n") for line in text.splitlines(keepends=True)]


def bring_into(
    boat: Boat, text: str, heard: Heard, ask: Ask, neighbours: Sequence[Boat] = ()
) -> Change:
    """Correct and add links of a boat whose own file holds `text`, and check the result.

    `ask` answers whether an instrument is now behind another adapter. Raise UserErrors when the
    changed profile would not check: what was fine before has an error.
    """
    found = match(boat.profile.serial_links, heard, ask)
    changed = Draft(boat, text)
    for name, link in boat.profile.serial_links.items():
        report = found.moved.get(name) or found.known.get(name)
        if report is None:
            continue
        if stranger := _explain_stranger(boat, link, report):
            changed.left.append(f"{name}: {stranger}")
            continue
        if name in found.moved:
            correct_adapter(changed, name, link.adapter, report.adapter, heard.known)
        else:
            tell_apart(changed, name, link.adapter, report.adapter, heard)
        correct_baud(changed, name, link, report)
        allow_long(changed, name, link, report)
        correct_talks(changed, name, link, report)
    _add_new(changed, found, heard)
    changed.left += _left(boat, found, aboard=heard.aboard)
    findings = _checked(boat, changed.text, neighbours) if changed.changes else []
    return Change(text, changed.text, changed.changes, changed.left, findings)


def _explain_stranger(boat: Boat, link: LinkConfig, report: PortReport) -> str:
    """Say so if nothing of what a link talks came, but what another instrument says."""
    rates = rates_of(report.sentences)
    if not (link.talks and rates) or likeness(link, report):
        return ""
    like = [
        name
        for name, other in boat.profile.serial_links.items()
        if likeness(other, report) >= SAME_SHARE
    ]
    other = f", which {' and '.join(like)} talks: are two plugs exchanged?" if like else ""
    return f"left as it is: {', '.join(rates)} came, and nothing of what it talks{other}"


def _add_new(changed: Draft, found: Matches, heard: Heard) -> None:
    """Add links for what was heard at ports and on networks that are in no link."""
    profile = changed.boat.profile
    taken = {*profile.links, *profile.inputs, *profile.network.tablets, *_dropped(changed)}
    for report in found.new:
        link = draft(report, heard.known, taken)
        device = report.adapter.device
        if link is None:
            changed.left.append(f"{device}: {report.state}; it is no USB adapter's port")
        elif not link.heard:
            advice = f"; {report.advice[0]}" if report.advice else ""
            changed.left.append(f"{device}: {report.state}, and in no link{advice}")
        else:
            taken.add(link.name)
            _add(changed, link, f"{link.name}: new, from {device}: {report.looks_like}")
    for network in heard.networks:
        name = next((n for n, c in profile.can_links.items() if c.can == network.device), "")
        link = None if name else draft_network(network, taken)
        if link:
            taken.add(link.name)
            kinds = ", ".join(kinds_of(network))
            _add(changed, link, f"{link.name}: new, from {network.device}: {kinds}")
        elif name:
            more = [kind for kind in kinds_of(network) if kind not in profile.can_links[name].talks]
            changed.left += [f"{name}: {', '.join(more)} came, too; left as it is"] * bool(more)


def _add(changed: Draft, link: DraftLink, change: str) -> None:
    """Add a link, unless another one leaves it no adapter."""
    before = changed.text, [*changed.changes]
    changed.put(change, ("links", link.name), link.value, link.comment)
    try:
        load.read(changed.boat.file, changed.text)
    except UserError as error:
        changed.text, changed.changes = before
        changed.left.append(f"{change}; not added, for {error.message}")


def _dropped(changed: Draft) -> set[str]:
    """Return the names below `links` of which a null in the boat's own file drops a club's link."""
    keys: Plain = load.read_keys(changed.boat.file, changed.text)
    links = keys.get("links") if isinstance(keys, dict) else None
    return {*links} if isinstance(links, dict) else set()


def _left(boat: Boat, found: Matches, *, aboard: bool) -> list[str]:
    """Say which links were left alone."""
    said = [
        f"{name}: {report.state}; left as it is"
        for name, report in found.known.items()
        if not report.sentences
    ]
    for name in found.absent:
        adapter = boat.profile.serial_links[name].adapter
        if adapter.port is not None and not aboard:
            said.append(f"{name}: {adapter} is the boat's own socket; left as it is")
        else:
            said.append(f"{name}: its adapter, {adapter}, is not plugged in; left as it is")
    said += [
        f"{name}: several ports may be meant by {boat.profile.serial_links[name].adapter}; left "
        "as it is"
        for name in found.unclear
    ]
    return said


def _checked(boat: Boat, text: str, neighbours: Sequence[Boat]) -> list[Finding]:
    """Return what `check` finds in the changed profile."""
    try:
        changed = load.read(boat.file, text)
    except UserErrors:
        raise
    except UserError as error:
        raise UserErrors([error]) from error
    _refuse_other_changes(boat, changed)
    had = {one.check for one in check([boat], neighbours) if one.level == "error"}
    findings = check([changed], neighbours)
    new = [one for one in findings if one.level == "error" and one.check not in had]
    if new:
        raise UserErrors(
            [UserError(one.message, location=one.location, hint=one.hint) for one in new]
        )
    return findings


def _refuse_other_changes(before: Boat, after: Boat) -> None:
    """Raise AssertionError if anything but links differs, or if a link is gone."""
    same = before.profile.model_dump(exclude={"links"}) == after.profile.model_dump(
        exclude={"links"}
    )
    if not same or not {*before.profile.links} <= {*after.profile.links}:
        raise AssertionError("a survey changed more than links")
