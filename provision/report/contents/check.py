# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a check: mistakes by boat, and the sums."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from provision.checks import Figure, Finding
from provision.checks.finding import worst_first as worst_finding_first
from provision.errors import UserError
from provision.profile.load import Boat
from provision.profile.secrets.store import secrets_path
from provision.report.contents.failure import describe, flat
from provision.report.contents.figures import Sources, figure_table
from provision.report.page import (
    Mark,
    Page,
    Section,
    ToDo,
    cause,
    count,
    merge,
    sentence,
    worst_first,
)
from provision.report.words import all_of, need_somebody

#: Findings that are shown, the worst first.
MAX_TODOS = 60

_LABELS = {
    Mark.FINE: "without a mistake",
    Mark.WATCH: "with warnings",
    Mark.TROUBLE: "with errors",
}


@dataclass(frozen=True)
class Checked:
    """Hold the result of a check. `called` is how a command names each boat."""

    boats: Sequence[Boat]
    findings: Sequence[Finding]
    figures: Sequence[Figure]
    errors: Sequence[UserError]
    caution: str
    called: Mapping[str, str]


def check_page(checked: Checked) -> Page:
    """Make the page of a check."""
    by_boat = _by_boat(checked)
    sources = Sources()
    sections = [
        *(_unread(error) for error in checked.errors),
        *(_section(boat, by_boat[boat.name], checked, sources) for boat in checked.boats),
    ]
    todos = [_to_read(error) for error in checked.errors]
    findings = [
        (boat, finding)
        for boat in checked.boats
        for finding in worst_finding_first(by_boat[boat.name])
    ]
    findings.sort(key=lambda found: found[1].level != "error")
    todos += [_to_do(one, boat.name, checked.called[boat.name]) for boat, one in findings]
    bad = sum(section.mark is not Mark.FINE for section in sections)
    verdict = (
        need_somebody(sections, bad)
        if bad
        else all_of(sections, "has no mistake in its file", "have no mistake in their files")
    )
    return Page(
        "Check",
        verdict,
        count(sections, _LABELS),
        merge(todos[:MAX_TODOS]),
        heads=("errors", "warnings"),
        sections=worst_first(sections),
        remarks=tuple(_remarks(checked, len(todos) - MAX_TODOS)),
        sources=sources.all,
    )


def _remarks(checked: Checked, more: int) -> Iterator[str]:
    if more > 0:
        yield f"{more} more findings do not fit on this page: provision check names them all."
    if checked.caution:
        yield f"Caution: {checked.caution}."


def _by_boat(checked: Checked) -> dict[str, list[Finding]]:
    """Divide the findings by boat. A finding names its boat, or its location is the boat's file."""
    files = {
        file: boat.name for boat in checked.boats for file in (boat.file, secrets_path(boat.file))
    }
    found: dict[str, list[Finding]] = {boat.name: [] for boat in checked.boats}
    for finding in checked.findings:
        found[finding.boat or files[finding.location.file]].append(finding)
    return found


def _section(
    boat: Boat, findings: Sequence[Finding], checked: Checked, sources: Sources
) -> Section:
    errors = sum(finding.level == "error" for finding in findings)
    mark = Mark.TROUBLE if errors else Mark.WATCH if findings else Mark.FINE
    figures = [figure for figure in checked.figures if figure.boat == boat.name]
    return Section(
        boat.name,
        mark,
        {Mark.TROUBLE: "errors", Mark.WATCH: "warnings", Mark.FINE: "no mistake"}[mark],
        (str(errors or ""), str(len(findings) - errors or "")),
        tables=(figure_table(figures, len(checked.boats), sources),) if figures else (),
    )


def _unread(error: UserError) -> Section:
    return Section(describe(flat(error)[0])[0], Mark.TROUBLE, "not checked", ("", ""))


def _to_read(error: UserError) -> ToDo:
    return ToDo((describe(flat(error)[0]),), sentence(flat(error)[0].hint))


def _to_do(finding: Finding, boat: str, called: str) -> ToDo:
    location = finding.location
    where = f"{location.file}:{location.line}" if location.line else str(location.file)
    what = f"{finding.level}: {finding.message} ({where}, {location.key})"
    return ToDo((cause(boat, what),), sentence(finding.hint), "", "provision check", (called,))
