# SPDX-License-Identifier: GPL-3.0-or-later
"""Print what the operator sees: one row a boat while a push runs, and a table at its end."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Console, Group
from rich.live import Live
from rich.table import Column, Table
from rich.text import Text

from provision.card.base.age import describe_age
from provision.harmless import harmless
from provision.push.ansible.playbook import Event, Listener
from provision.push.areas import describe_changes
from provision.push.hints import SEVERAL_AWAY
from provision.push.query.links import duration
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.ssh.endpoint import refused
from provision.verify.runner import VerifyResult

#: Characters of one cell. A longer reason adds nothing.
MAX_CELL_CHARS = 2000

OUTCOME_STYLES = {
    Outcome.KEPT: "green",
    Outcome.UNCHANGED: "green",
    Outcome.STAGED: "green",
    Outcome.WOULD_CHANGE: "cyan",
    Outcome.ROLLED_BACK: "yellow",
    Outcome.REFUSED: "yellow",
    Outcome.HELD: "yellow",
    Outcome.UNREACHABLE: "red",
    Outcome.FAILED: "bold red",
}

#: Seconds below which an answer is of now.
MIN_AGO_S = 60

ENDING_STYLES = {"passed": "green", "noted": "cyan", "failed": "bold red", "skipped": "dim"}

#: What the operator reads of each role of the playbook.
STEPS = {
    "preflight": "looking",
    "trial": "trying",
    "stage": "staging",
    "prove": "proving",
    "keep": "keeping",
    "rollback": "rolling back",
}

#: The steps after which a failure leaves nothing to do.
ENDED_BY_FAILURE = {
    "preflight": str(Outcome.REFUSED),
    "stage": str(Outcome.FAILED),
    "rollback": str(Outcome.FAILED),
}


def _table(*columns: str) -> Table:
    # A narrow screen folds a cell: an endpoint that is cut off is useless.
    headed = (Column(name, overflow="fold") for name in columns)
    return Table(*headed, box=None, pad_edge=False, show_edge=False)


def _text(value: object, style: str = "") -> Text:
    """Make a cell of text from a boat, an image or a profile, without markup or control codes."""
    return Text(harmless(str(value), MAX_CELL_CHARS), style=style)


def push_table(results: Sequence[PushResult]) -> Group:
    """Write one row a boat: its outcome, seconds and number of changed files.

    Reasons, hints and notes stand below the rows, where a command in them stays on one line.
    """
    rows = _table("boat", "result", "time", "files")
    notes = []
    away = [result.boat for result in results if result.outcome is Outcome.UNREACHABLE]
    for result in results:
        hint = "" if len(away) > 1 and result.boat in away else result.hint
        if why := [part for part in (result.reason, hint, *result.notes) if part]:
            notes.append(_text(f"{result.boat}: " + "\n".join(why).replace("\n", "\n  ")))
        rows.add_row(
            _text(result.boat),
            Text(result.outcome.label, style=OUTCOME_STYLES[result.outcome]),
            f"{result.seconds:.1f} s",
            str(len(result.changed) or ""),
        )
    if len(away) > 1:
        notes.append(_text(SEVERAL_AWAY))
    return Group(rows, *([Text(), *notes] if notes else []))


def fleet_table(statuses: Sequence[BoatStatus], now: float) -> Group:
    """Write one row a boat, and notes below the rows. `now` is in seconds since 1970."""
    rows = _table(
        # Heads of two lines leave room for the rows in 80 columns.
        *("boat", "state", "settings\naboard", "against\nthe file", "changed\nby hand", "seen"),
    )
    notes = []
    away = [status.boat for status in statuses if _is_away(status)]
    for status in statuses:
        state, style = "healthy", "green"
        if status.endpoint is None:
            state, style = "refused" if status.refused else "no answer", "red"
            if status.invalid:
                state = "not asked"
        elif status.health_issues:
            state, style = "degraded" if status.degraded else "unhealthy", "yellow"
        if details := _details(status, now, hint=status.boat not in away or len(away) == 1):
            notes.append(_text(f"{status.boat}: " + "\n  ".join(details)))
        rows.add_row(
            _text(status.boat),
            Text(state, style=style),
            _text(status.kept[:12] or "unknown"),
            _text(_against_profile(status)),
            str(len(status.drift) or ""),
            ago(now - status.seen) if status.seen is not None else "never",
        )
    if len(away) > 1:
        notes.append(_text(SEVERAL_AWAY))
    return Group(rows, *([Text(), *notes] if notes else []))


def _is_away(status: BoatStatus) -> bool:
    return status.endpoint is None and not status.refused and not status.invalid


def _details(status: BoatStatus, now: float, *, hint: bool) -> list[str]:
    """List what the operator should know of a boat beyond its row, as lines."""
    lines = [*status.reason.splitlines(), *(status.hint.splitlines() if hint else ())]
    lines += status.health_issues
    links = (status.links or {}).items()
    lines += [f"{name}: {link.describe()}" for name, link in links if link.state != "heard"]
    if status.card:
        serial = f", {status.card.serial}" if status.card.serial else ""
        lines.append(f"runs on the card of {status.card.day}{serial} ({status.card.laptop})")
    if status.base is not None:
        lines.append(f"its base has {describe_age(status.base, now)}")
    if status.staged:
        lines.append(f"settings {status.staged['digest'][:12]} wait for its restart")
    if status.trial:
        left = f"{status.trial['seconds_left']:.0f} s left"
        keep = "; a push keeps them" if status.trial["digest"] == status.wanted else ""
        lines.append(f"on trial for {status.trial['owner']}, {left}{keep}")
    return lines


def _against_profile(status: BoatStatus) -> str:
    if status.invalid:
        return status.invalid
    if not status.due:
        return "up to date"
    if status.endpoint is None:
        # Without an answer or a record, the boat's settings are unknown.
        return "to push" if status.kept else "not known"
    if len(status.differs) == 1:
        return "1 file differs"
    return f"{len(status.differs)} files differ" if status.differs else "to push"


def ago(seconds: float) -> str:
    """Write how long ago something was, as a number and a unit."""
    return f"{duration(seconds)} ago" if seconds >= MIN_AGO_S else "now"


def verify_table(result: VerifyResult) -> Table:
    """Write one row a test, in the order in which they ran."""
    rows = _table("subject", "test", "result", "why")
    for test in result.tests:
        ending = Text(test.ending, style=ENDING_STYLES[test.ending])
        subject = _text(test.subject.replace("_", " "))
        rows.add_row(subject, _text(test.test), ending, _text(test.reason))
    return rows


@dataclass
class Row:
    """Hold how far one boat is. Times are in seconds of the monotonic clock."""

    step: str = "waiting"
    changes: str = ""
    result: str = ""
    started: float | None = None
    ended: float | None = None

    @property
    def label(self) -> str:
        """Write the result in words for people, or "" while there is none."""
        return Outcome(self.result).label if self.result else ""

    @property
    def seconds(self) -> str:
        """Write for how long the push of the boat has run, or ran."""
        if self.started is None:
            return ""
        return f"{(self.ended or time.monotonic()) - self.started:.0f} s"


@dataclass
class Progress:
    """Hold how far each boat is. rich reads the rows whenever it repaints them."""

    boats: Sequence[str]
    rows: dict[str, Row] = field(init=False)

    def __post_init__(self) -> None:
        self.rows = {boat: Row() for boat in self.boats}

    def listen(self, event: Event) -> None:
        """Update the row of the boat that an event is about."""
        if "boat" not in event:
            return
        row, what = self.rows[event["boat"]], event["event"]
        if what == "step":
            step = str(event["step"])
            if row.started is None or row.ended is not None:
                row.started, row.ended, row.result = time.monotonic(), None, ""
            row.step = STEPS.get(step, step)
            return
        if what == "stats":
            if changed := event["data"].get("changed"):
                row.changes = harmless(describe_changes(map(str, changed)), MAX_CELL_CHARS)
            row.result = str(event["data"].get("outcome") or row.result)
        elif what == "unreachable":
            row.result = str(Outcome.REFUSED if refused(event["message"]) else Outcome.UNREACHABLE)
        elif what == "failed" and not row.result:
            row.result = ENDED_BY_FAILURE.get(event["step"], "")
        if row.result:
            row.ended = time.monotonic()

    def __rich__(self) -> Table:
        table = _table("boat", "step", "time", "changes", "result")
        for boat, row in self.rows.items():
            style = OUTCOME_STYLES[Outcome(row.result)] if row.result else ""
            changes = Text(row.changes)
            table.add_row(boat, row.step, row.seconds, changes, Text(row.label, style=style))
        return table


@contextmanager
def progress(boats: Sequence[str], console: Console) -> Iterator[Listener]:
    """Show one row a boat while the block runs, and yield the listener that `push` takes.

    Without a terminal, print each boat's steps and result as lines instead.
    """
    state = Progress(boats)
    if not console.is_terminal:

        def print_change(event: Event) -> None:
            row = state.rows.get(event.get("boat", ""), Row())
            before, unchanged = (row.step, row.result), row.changes
            state.listen(event)
            if row.changes != unchanged:
                console.print(f"{event['boat']}: changes {row.changes}", markup=False)
            if (row.step, row.result) != before:
                console.print(f"{event['boat']}: {row.label or row.step}", markup=False)

        yield print_change
        return
    with Live(state, console=console, transient=True, refresh_per_second=4):
        yield state.listen
