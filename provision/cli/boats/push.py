# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that changes running boats: push."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.boats.asked import (
    Asked,
    At,
    FormerKey,
    called_names,
    endpoints_at,
    load_named_or_all,
)
from provision.cli.common import (
    FOUND_SOMETHING,
    INTERRUPTED,
    Boats,
    Everyone,
    Json,
    Some,
    VaultFile,
    app,
    fail,
    show,
)
from provision.cli.help import Command, example
from provision.cli.opening import print_check_errors, refuse_both_or_neither
from provision.cli.reporting import Hold, Report, reporting
from provision.cli.terminal.completion import complete_boat
from provision.cli.terminal.durations import between
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import BOATS, folder_option
from provision.push.options import PushOptions

if TYPE_CHECKING:
    from provision.push.load import InvalidBoat
    from provision.push.records.held_back import HeldBack
    from provision.push.result import PushResult
    from provision.report.page import Page

#: Seconds of the longest trial that a boat accepts, see provision/onboard/settings/cli.py.
MAX_TIMER_S = 24 * 3600


@app.command(cls=Command, epilog=example("push --all --first kittiwake --wait 1h"))
def push(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    everyone: Everyone = False,
    first: Annotated[
        str,
        typer.Option(
            metavar="BOAT",
            help="Push to this boat first. Go on only if it passes.",
            autocompletion=complete_boat,
        ),
    ] = "",
    stop_after: Annotated[
        int,
        typer.Option(
            min=0,
            metavar="N",
            show_default=False,
            help="Start no further boat after N failures (default: go on).",
        ),
    ] = 0,
    wait: Annotated[
        float,
        typer.Option(
            parser=between(0, 30 * MAX_TIMER_S, "from 0 to 30 days"),
            metavar="TIME",
            show_default=False,
            help="Look this long for boats that are off: 90 s, 5 min, 2 h; a number alone is "
            "seconds (default: do not wait).",
        ),
    ] = 0,
    stage: Annotated[
        bool, typer.Option("--stage", help="For the next start: on trial there, not now.")
    ] = False,
    at_once: Annotated[
        int, typer.Option(min=1, metavar="N", help="How many boats side by side.")
    ] = 8,
    timer: Annotated[
        float,
        typer.Option(
            parser=between(30, MAX_TIMER_S, "from 30 s to 24 h"),
            metavar="TIME",
            show_default=False,
            help="A boat rolls back by itself after this time, unless it was proven: 30 s to "
            f"24 h; a number alone is seconds (default: {PushOptions.timer // 60} min).",
        ),
    ] = PushOptions.timer,
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Change nothing; say what would change.")
    ] = False,
    overwrite_drift: Annotated[
        bool, typer.Option("--overwrite-drift", help="Replace files changed by hand aboard.")
    ] = False,
    former_key: FormerKey = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Change running boats: on trial first, then for good.

    The new settings are proven on the boat. If that fails, it rolls back by itself.
    """

    refuse_both_or_neither(names, everyone)
    options = PushOptions(
        at_once=at_once,
        timer=round(timer),
        dry_run=dry_run,
        overwrite_drift=overwrite_drift,
        stage=stage,
        stop_after=stop_after,
        former=former_key,
    )
    with reporting(report, "Push") as hold:
        _push(
            Asked(names or (), boats, vault_password_file, at or ()),
            options,
            first,
            wait,
            as_json,
            hold,
        )


def _push(  # noqa: PLR0913
    asked: Asked, options: PushOptions, first: str, wait: float, as_json: bool, hold: Hold
) -> None:
    """Push, and print how it ended for each boat."""
    from provision.progress import console, results
    from provision.push.console import progress, push_table
    from provision.push.query.diff import MAX_DIFF_CHARS
    from provision.push.records.held_back import hold_back
    from provision.push.rollout import Rollout, roll_out

    readable, invalid = load_named_or_all(asked.names, asked.boats, asked.password)
    fleet, held = hold_back(readable)
    not_pushed: list[InvalidBoat | HeldBack] = [*invalid, *held]
    options = replace(options, at=endpoints_at(asked.at, [*fleet, *not_pushed]))
    for boat in not_pushed:
        if boat.name == first:
            raise boat.error
    print_check_errors(boat.boat for boat in fleet)
    shown = (
        contextlib.nullcontext() if as_json else progress([boat.name for boat in fleet], console)
    )
    try:
        with shown as listener:
            if fleet or not held:
                ended = roll_out(fleet, options, Rollout(first, wait), listener)
            else:
                ended = []
    except KeyboardInterrupt:
        command = f"provision fleet{folder_option(asked.boats)}"
        hint = (
            f"a boat with settings on trial rolls back within {options.timer} s; "
            f"`{command}` shows its status"
        )
        stopped = UserError("the push was stopped in the middle", hint=hint)
        fail(stopped)
        hold(lambda: _stopped_page(stopped))
        raise typer.Exit(INTERRUPTED) from None
    if not_pushed:
        ended = sorted(
            [*ended, *(boat.result() for boat in not_pushed)], key=lambda result: result.boat
        )
    called = called_names(readable, invalid)
    hold(lambda: _push_page(ended, options, called))
    if as_json:
        show({"boats": [result.as_json() for result in ended]})
    else:
        for result in ended:
            if result.diff:
                results.print(f"{result.boat}:", markup=False)
                text = harmless(result.diff, MAX_DIFF_CHARS)
                results.print(text, end="", markup=False)
        results.print(push_table(ended))
    if not all(result.succeeded for result in ended):
        raise typer.Exit(FOUND_SOMETHING)


def _push_page(
    ended: Sequence[PushResult], options: PushOptions, called: Mapping[str, str]
) -> Page:
    from provision.report.contents.push import push_page

    return push_page(ended, options, called)


def _stopped_page(error: UserError) -> Page:
    from provision.report.contents.failure import ended_page

    return ended_page("Push", error.message, error.hint)
