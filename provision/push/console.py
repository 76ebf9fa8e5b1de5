# SPDX-License-Identifier: GPL-3.0-or-later
"""What the operator sees: one row a boat while a push runs, and a table at its end."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field

from rich.console import Console, Group
from rich.live import Live
from rich.table import Column, Table
from rich.text import Text

from provision.harmless import harmless
from provision.push.playbook import Event, Listener
from provision.push.result import Outcome, PushResult
from provision.push.status import BoatStatus
from provision.ssh.refusal import refused
from provision.verify.runner import VerifyResult

#: Characters of one cell; a reason that is longer says no more.
MAX_CELL_CHARS = 2000

STYLES = {
    Outcome.KEPT: "green",
    Outcome.UNCHANGED: "green",
    Outcome.STAGED: "green",
    Outcome.WOULD_CHANGE: "cyan",
    Outcome.RETURNED: "yellow",
    Outcome.REFUSED: "yellow",
    Outcome.HELD: "yellow",
    Outcome.UNREACHABLE: "red",
    Outcome.FAILED: "bold red",
}

ENDINGS = {"passed": "green", "failed": "bold red", "skipped": "dim"}

#: What each role of the playbook is about, for people.
STAGES = {
    "preflight": "looking",
    "trial": "trying",
    "stage": "staging",
    "prove": "proving",
    "keep": "keeping",
    "return": "returning",
}

#: The stages after which a failure leaves nothing to do.
ENDED_BY_FAILURE = {
    "preflight": str(Outcome.REFUSED),
    "stage": str(Outcome.FAILED),
    "return": str(Outcome.FAILED),
}


def _table(*columns: str) -> Table:
    # Folded where the screen is narrow: a place that is cut off is none.
    headed = (Column(name, overflow="fold") for name in columns)
    return Table(*headed, box=None, pad_edge=False, show_edge=False)


def _text(said: object, style: str = "") -> Text:
    """What a boat, an image or a profile said, as a cell: no markup, and nothing that steers."""
    return Text(harmless(str(said), MAX_CELL_CHARS), style=style)


def push_table(results: Sequence[PushResult]) -> Table:
    """One row a boat: how it ended, how long that took, how many files changed, and why."""
    rows = _table("boat", "result", "time", "files", "why")
    for result in results:
        why = "\n".join(part for part in (result.reason, result.hint) if part)
        rows.add_row(
            _text(result.boat),
            Text(str(result.outcome), style=STYLES[result.outcome]),
            f"{result.seconds:.1f} s",
            str(len(result.changed) or ""),
            _text(why),
        )
    return rows


def fleet_table(fleet_status: Sequence[BoatStatus], now: float) -> Group:
    """One row a boat, and below them what there is to say of some; `now` is in seconds since
    1970."""
    rows = _table("boat", "state", "kept", "profile", "by hand", "next start", "seen")
    notes = []
    for one in fleet_status:
        state, style = "healthy", "green"
        if one.place is None:
            state, style = "refused" if one.refused else "no answer", "red"
            if one.unfit:
                state = "not asked"
        elif one.concerns:
            state, style = "degraded" if one.degraded else "ailing", "yellow"
        if said := _said(one):
            notes.append(_text(f"{one.boat}: " + "\n  ".join(said)))
        rows.add_row(
            _text(one.boat),
            Text(state, style=style),
            _text(one.kept[:12] or "unknown"),
            _text(_against_profile(one)),
            str(len(one.drift) or ""),
            _text(f"{one.staged['digest'][:12]} on trial" if one.staged else ""),
            ago(now - one.seen) if one.seen is not None else "never",
        )
    return Group(rows, *([Text(), *notes] if notes else []))


def _said(one: BoatStatus) -> list[str]:
    """What there is to say of a boat beyond its row, in lines."""
    lines = [*one.reason.splitlines(), *one.hint.splitlines(), *one.concerns]
    if one.trial:
        left = f"{one.trial['seconds_left']:.0f} s left"
        keep = "; a push keeps them" if one.trial["digest"] == one.wanted else ""
        lines.append(f"on trial for {one.trial['owner']}, {left}{keep}")
    return lines


def _against_profile(one: BoatStatus) -> str:
    if one.unfit:
        return one.unfit
    if not one.due:
        return "as wanted"
    if one.place is None:
        # Of a boat that was never heard, nobody knows what it has.
        return "to push" if one.kept else "not known"
    if len(one.differs) == 1:
        return "1 file differs"
    return f"{len(one.differs)} files differ" if one.differs else "to push"


def ago(seconds: float) -> str:
    """How long ago something was, in one word or two."""
    for unit, size in (("d", 86400), ("h", 3600), ("min", 60)):
        if seconds >= size:
            return f"{seconds / size:.0f} {unit} ago"
    return "now"


def verify_table(result: VerifyResult) -> Table:
    """One row a test, in the order in which they ran."""
    rows = _table("subject", "test", "result", "why")
    for test in result.tests:
        ending = Text(test.ending, style=ENDINGS[test.ending])
        subject = _text(test.subject.replace("_", " "))
        rows.add_row(subject, _text(test.test), ending, _text(test.reason))
    return rows


@dataclass
class Row:
    """Where one boat is; times are on the monotonic clock, in seconds."""

    stage: str = "waiting"
    result: str = ""
    begun: float | None = None
    ended: float | None = None

    @property
    def seconds(self) -> str:
        """For how long the boat has been, or was, worked on."""
        if self.begun is None:
            return ""
        return f"{(self.ended or time.monotonic()) - self.begun:.0f} s"


@dataclass
class Progress:
    """Where each boat is; rich asks for the rows whenever it paints them anew."""

    boats: Sequence[str]
    rows: dict[str, Row] = field(init=False)

    def __post_init__(self) -> None:
        self.rows = {boat: Row() for boat in self.boats}

    def listen(self, event: Event) -> None:
        """Take in what the playbook tells."""
        if "boat" not in event:
            return
        row, what = self.rows[event["boat"]], event["event"]
        if what == "stage":
            stage = str(event["stage"])
            if row.begun is None or row.ended is not None:
                row.begun, row.ended, row.result = time.monotonic(), None, ""
            row.stage = STAGES.get(stage, stage)
            return
        if what == "stats":
            row.result = str(event["data"].get("outcome") or row.result)
        elif what == "unreachable":
            row.result = str(Outcome.REFUSED if refused(event["message"]) else Outcome.UNREACHABLE)
        elif what == "failed" and not row.result:
            row.result = ENDED_BY_FAILURE.get(event["stage"], "")
        if row.result:
            row.ended = time.monotonic()

    def __rich__(self) -> Table:
        table = _table("boat", "stage", "time", "result")
        for boat, row in self.rows.items():
            style = STYLES[Outcome(row.result)] if row.result else ""
            table.add_row(boat, row.stage, row.seconds, Text(row.result, style=style))
        return table


@contextmanager
def progress(boats: Sequence[str], console: Console) -> Iterator[Listener]:
    """Show one row a boat while the block runs; gives the listener that `push` takes.

    Without a terminal each boat's stages and result are printed as lines instead.
    """
    state = Progress(boats)
    if not console.is_terminal:

        def say(event: Event) -> None:
            row = state.rows.get(event.get("boat", ""), Row())
            before = (row.stage, row.result)
            state.listen(event)
            if (row.stage, row.result) != before:
                console.print(f"{event['boat']}: {row.result or row.stage}", markup=False)

        yield say
        return
    with Live(state, console=console, transient=True, refresh_per_second=4):
        yield state.listen
