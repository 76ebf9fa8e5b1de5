# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that asks how boats are: fleet."""

from __future__ import annotations

import time
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, NamedTuple

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
    Boats,
    Json,
    Some,
    VaultFile,
    app,
    show,
)
from provision.cli.help import Command, example
from provision.cli.reporting import Hold, Report, reporting
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.push.status import BoatStatus
    from provision.report.page import Page


@app.command(cls=Command, epilog=example("fleet"))
def fleet(  # noqa: PLR0913
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    at: At = None,
    history: Annotated[
        bool,
        typer.Option(
            "--history", help="Plot the last day and the last 30 days, too, also in a report."
        ),
    ] = False,
    former_key: FormerKey = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Ask how boats are: reachable, healthy, up to date.

    Without names, all boats of the folder are asked, and all at once.
    """

    with reporting(report, "State of the fleet") as hold:
        asked = Asked(names or (), boats, vault_password_file, at or ())
        shown = _Shown(history, as_json)
        _fleet(asked, former_key, shown, hold)


class _Shown(NamedTuple):
    """Hold whether the history is shown, too, and all of it as JSON."""

    history: bool
    as_json: bool


def _fleet(given: Asked, former: bool, shown: _Shown, hold: Hold) -> None:
    """Ask the boats, and print what they answered."""
    from provision.progress import results
    from provision.push.console import fleet_table
    from provision.push.history_table import history_tables
    from provision.push.status import fleet_status

    asked, invalid = load_named_or_all(given.names, given.boats, given.password)
    endpoints = endpoints_at(given.at, [*asked, *invalid])
    found = fleet_status(asked, endpoints, former=former, history=shown.history)
    if invalid:
        found = sorted(
            [*found, *(boat.status() for boat in invalid)], key=lambda status: status.boat
        )
    called = called_names(asked, invalid)
    hold(lambda: _fleet_page(found, called))
    if shown.as_json:
        show({"boats": [status.as_json() for status in found]})
    else:
        results.print(fleet_table(found, time.time()))
        if shown.history:
            results.print(history_tables(found, encoding=results.encoding))
    if not all(status.up_to_date for status in found):
        raise typer.Exit(FOUND_SOMETHING)


def _fleet_page(found: Sequence[BoatStatus], called: Mapping[str, str]) -> Page:
    from provision.report.contents.fleet import fleet_page
    from provision.report.plots.history import plots_of_boats

    return fleet_page(found, called, time.time(), plots_of_boats(found))
