# SPDX-License-Identifier: GPL-3.0-or-later
"""Make the page of a fleet: which boats are reachable, healthy and up to date, and their links."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from provision.card.base.age import describe_age
from provision.push.console import ago
from provision.push.hints import share_unreachable_hint
from provision.push.query.history import describe_concerns
from provision.push.query.links import LinkStatus
from provision.push.status import BoatStatus
from provision.report.contents.issues import advise
from provision.report.page import (
    WORST_FIRST,
    Mark,
    Page,
    Plot,
    Section,
    Table,
    ToDo,
    cause,
    count,
    merge,
    sentence,
    worst_first,
)
from provision.report.words import all_of, day_and_time, join, need_somebody

#: Files and links of one boat that are named.
MAX_FILES, MAX_LINKS = 10, 20

#: What a boat runs until somebody has done something. Its digests are in the boat's section.
AS_KEPT = "If it is on, it runs the settings that it keeps."
RUNS_KEPT = "It runs the settings that it keeps."
RUNS_OTHER = "It started with other settings than its kept ones, or without its data."

_LABELS = {
    Mark.FINE: "healthy and up to date",
    Mark.WATCH: "to push, or with a silent link",
    Mark.TROUBLE: "without an answer, or unhealthy",
}


def fleet_page(
    statuses: Sequence[BoatStatus],
    called: Mapping[str, str],
    now: float,
    plots: Mapping[str, tuple[Plot, ...]] | None = None,
) -> Page:
    """Make the page of a fleet. `now` is in seconds since 1970, `called` as commands name boats.

    `plots` are what each boat remembers of itself, by name.
    """
    remembered = plots or {}
    sections = worst_first(
        [_section(status, now, remembered.get(status.boat, ())) for status in statuses]
    )
    bad = [status for status in statuses if not status.up_to_date]
    bad.sort(key=lambda status: WORST_FIRST.index(_state(status)[0]))
    away = [status.boat for status in statuses if _is_away(status)]
    todos = [
        todo
        for status in bad
        for todo in _todos(status, called.get(status.boat, status.boat), away)
    ]
    return Page(
        "State of the fleet",
        need_somebody(sections, len(bad))
        if bad
        else all_of(sections, "is healthy and up to date", "are healthy and up to date"),
        count(sections, _LABELS),
        merge(todos),
        heads=("against its file", "seen"),
        sections=sections,
    )


def _is_away(status: BoatStatus) -> bool:
    return status.endpoint is None and not status.refused and not status.invalid


def _not_heard(status: BoatStatus) -> list[tuple[str, LinkStatus]]:
    return [(name, link) for name, link in (status.links or {}).items() if link.state != "heard"]


def _state(status: BoatStatus) -> tuple[Mark, str]:
    if status.invalid:
        return Mark.TROUBLE, "not asked"
    if status.endpoint is None:
        return Mark.TROUBLE, "refused" if status.refused else "no answer"
    if status.health_issues:
        return Mark.TROUBLE, "degraded" if status.degraded else "unhealthy"
    if status.due:
        return Mark.WATCH, "to push"
    return (Mark.WATCH, "healthy, link silent") if _not_heard(status) else (Mark.FINE, "healthy")


def _section(status: BoatStatus, now: float, plots: tuple[Plot, ...]) -> Section:
    mark, state = _state(status)
    seen = ago(now - status.seen) if status.seen is not None else "never"
    tables: tuple[Table, ...] = ()
    if silent := _not_heard(status)[:MAX_LINKS]:
        rows = tuple((name, link.describe()) for name, link in silent)
        marks = (Mark.WATCH,) * len(rows)
        tables = (Table(("link that is not heard", "state"), rows, marks=marks),)
    return Section(
        status.boat,
        mark,
        state,
        (_against_file(status), seen),
        facts=tuple((name, fact) for name, fact in _facts(status, now) if fact),
        tables=tables,
        plots=plots,
    )


def _facts(status: BoatStatus, now: float) -> list[tuple[str, str]]:
    drift = [f"{path} ({what})" for path, what in status.drift]
    trial, staged = status.trial, status.staged
    heard = [name for name, link in (status.links or {}).items() if link.state == "heard"]
    on_trial = f"{trial['digest'][:12]}, for {trial['owner']}" if trial else ""
    if trial:
        on_trial += f", {trial['seconds_left']:.0f} s left"
    return [
        ("answered at", str(status.endpoint or "")),
        ("settings it keeps", status.kept[:12]),
        ("made by version", status.version),
        ("last answer", day_and_time(status.seen) if status.seen and not status.endpoint else ""),
        ("links that are heard", join(heard, MAX_LINKS)),
        ("differ from its file", join(status.differs, MAX_FILES)),
        ("changed by hand", join(drift, MAX_FILES)),
        ("its base has", describe_age(status.base, now) if status.base is not None else ""),
        ("runs on the card of", _card(status)),
        ("on trial", on_trial),
        ("wait for its restart", f"settings {staged['digest'][:12]}" if staged else ""),
    ]


def _card(status: BoatStatus) -> str:
    if status.card is None:
        return ""
    serial = f", {status.card.serial}" if status.card.serial else ""
    return f"{status.card.day}{serial} ({status.card.laptop})"


def _against_file(status: BoatStatus) -> str:
    if status.invalid:
        return status.invalid
    if not status.due:
        return "up to date"
    if status.differs:
        many = len(status.differs)
        return "1 file differs" if many == 1 else f"{many} files differ"
    return "to push" if status.kept else "not known"


def _todos(status: BoatStatus, called: str, away: Sequence[str]) -> list[ToDo]:
    if status.invalid:
        return [_todo(status, status.reason, status.hint, AS_KEPT, "provision check", called)]
    if status.endpoint is None:
        hint = share_unreachable_hint(away, status.hint) if _is_away(status) else status.hint
        return [_todo(status, status.reason, hint, AS_KEPT, "provision fleet", called)]
    todos = []
    remembered = describe_concerns(status.history)
    for told in status.health_issues:
        issue, action, command = told, *advise(told)
        if told in remembered:
            issue, action = remembered[told]
            action, command = f"{action[:1].upper()}{action[1:]}.", "provision fleet --history"
        runs = RUNS_OTHER if status.degraded else RUNS_KEPT
        todos.append(_todo(status, issue, action, runs, command, called))
    if status.due and not status.health_issues:
        todos.append(_to_push(status, called))
    return todos


def _to_push(status: BoatStatus, called: str) -> ToDo:
    if status.drift:
        files = f"{len(status.drift)} file{'s' if len(status.drift) > 1 else ''}"
        look = "Look at what would be lost, and then push with --overwrite-drift."
        dry_run = "provision push --dry-run"
        changed = f"{files} changed by hand aboard"
        return _todo(status, changed, look, RUNS_KEPT, dry_run, called)
    what = f"runs other settings than its file says: {_against_file(status)}"
    return _todo(
        status, what, "Push, when the boat may try it.", RUNS_KEPT, "provision push", called
    )


def _todo(  # noqa: PLR0913
    status: BoatStatus, what: str, action: str, runs: str, command: str, called: str
) -> ToDo:
    return ToDo((cause(status.boat, what),), sentence(action), runs, command, (called,))
