# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a push: how it ended for each boat, what changed, and how long it took."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from provision.push.areas import describe_changes
from provision.push.hints import share_unreachable_hint
from provision.push.options import PushOptions, operator_name
from provision.push.result import Outcome, PushResult
from provision.report.contents.diff import list_changes
from provision.report.page import (
    Change,
    Mark,
    Page,
    Section,
    Table,
    ToDo,
    cause,
    count,
    cut,
    merge,
    sentence,
    worst_first,
)
from provision.report.plots.bars import draw_length
from provision.report.words import all_of, lasting, need_somebody

#: Files of a change that are named.
MAX_FILES = 30

#: Boats of which nothing was tried.
_NOT_TRIED = (Outcome.UNREACHABLE, Outcome.HELD)

_AS_BEFORE = "Nothing was tried: it runs as before."

#: What a boat runs until somebody has done something.
_MEANWHILE = {
    Outcome.ROLLED_BACK: "It rolled back by itself, and runs as before.",
    Outcome.REFUSED: _AS_BEFORE,
    Outcome.UNREACHABLE: _AS_BEFORE,
    Outcome.HELD: _AS_BEFORE,
    Outcome.FAILED: "Not known. What is on trial rolls back by itself when its timer has run out.",
}


def push_page(
    results: Sequence[PushResult], options: PushOptions, called: Mapping[str, str]
) -> Page:
    """Make the page of a push. `called` is how a command names each boat."""
    sections = worst_first([_section(result) for result in results])
    bad = [result for result in results if not result.succeeded]
    changes, note = list_changes(results) if options.dry_run else (_changed(results), "")
    return Page(
        _kind(options),
        need_somebody(sections, len(bad)) if bad else _good(results, sections, options),
        count(sections, _labels(options)),
        merge(_todos(bad, called)),
        heads=("time", "files"),
        sections=sections,
        changes=changes,
        changes_title="What changes" if options.dry_run else "What changed",
        changes_note=note,
        times=_times(results),
        remarks=(f"Pushed by {operator_name()}.",) if not options.dry_run else (),
    )


def _kind(options: PushOptions) -> str:
    if options.dry_run:
        return "Dry run of a push"
    return "Push for the next start" if options.stage else "Push"


def _labels(options: PushOptions) -> dict[Mark, str]:
    fine = "looked at" if options.dry_run else "as wanted"
    return {
        Mark.FINE: fine,
        Mark.WATCH: "not tried",
        Mark.TROUBLE: "refused, rolled back or failed",
    }


def _good(results: Sequence[PushResult], sections: Sequence[Section], options: PushOptions) -> str:
    if options.dry_run:
        changing = sum(result.outcome is Outcome.WOULD_CHANGE for result in results)
        if not changing:
            return "A push would change nothing"
        of = f"{changing} of {len(results)} boats" if len(results) > 1 else results[0].boat
        of = f"all {changing} boats" if changing == len(results) > 1 else of
        return f"A push would change {of}"
    if any(result.outcome is Outcome.STAGED for result in results):
        return all_of(
            sections,
            "has its settings for the next start",
            "have their settings, or will at the next start",
        )
    return all_of(sections, "runs what its file says", "run what their files say")


def _section(result: PushResult) -> Section:
    mark = Mark.FINE
    if not result.succeeded:
        mark = Mark.WATCH if result.outcome in _NOT_TRIED else Mark.TROUBLE
    remark = (result.reason,) if result.succeeded and result.reason else ()
    return Section(
        result.boat,
        mark,
        result.outcome.label,
        (lasting(result.seconds), str(len(result.changed) or "")),
        notes=tuple(map(cut, (*remark, *result.notes))),
    )


def _changed(results: Sequence[PushResult]) -> tuple[Change, ...]:
    """List which files changed in which boats."""
    boats: dict[tuple[str, ...], list[str]] = {}
    for result in results:
        if result.changed:
            boats.setdefault(tuple(sorted(result.changed)), []).append(result.boat)
    return tuple(
        Change(describe_changes(paths), tuple(names), paths=paths[:MAX_FILES])
        for paths, names in boats.items()
    )


def _todos(bad: Sequence[PushResult], called: Mapping[str, str]) -> list[ToDo]:
    away = [result.boat for result in bad if result.outcome is Outcome.UNREACHABLE]
    todos = []
    for result in bad:
        hint = result.hint
        if result.boat in away:
            hint = share_unreachable_hint(away, hint)
        elif result.outcome is Outcome.HELD:
            hint = hint or "Do what is to do about the others first, and push again."
        asks = result.outcome is Outcome.FAILED
        todos.append(
            ToDo(
                (cause(result.boat, result.reason or result.outcome.label),),
                sentence(hint) or ("Ask the boat." if asks else "Correct that, and push again."),
                _MEANWHILE[result.outcome],
                "provision fleet" if asks else "provision push",
                (called.get(result.boat, result.boat),),
            )
        )
    return todos


def _times(results: Sequence[PushResult]) -> Table | None:
    longest = max((result.seconds for result in results), default=0.0)
    if longest <= 0:
        return None
    ordered = sorted(results, key=lambda result: -result.seconds)
    return Table(
        ("boat", "", "time"),
        tuple(
            (result.boat, draw_length(result.seconds, longest), lasting(result.seconds))
            for result in ordered
        ),
        numbers=frozenset({2}),
    )
