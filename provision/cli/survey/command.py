# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that finds out what is on the wires of a boat: survey."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.boats.asked import At, FormerKey
from provision.cli.common import FOUND_SOMETHING, Boats, Json, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.reporting import Report, reporting
from provision.cli.survey.profile import Options
from provision.cli.terminal.completion import complete_boat
from provision.errors import UserError
from provision.harmless import harmless
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.report.page import Page
    from provision.survey.draft.heard import Heard
    from provision.survey.findings import Findings


@app.command(name="survey", cls=Command, epilog=example("survey kittiwake --all"))
def command(  # noqa: PLR0913
    boat: Annotated[
        str,
        typer.Argument(
            metavar="BOAT",
            help="Survey this running boat over SSH. Without it, this computer.",
            autocompletion=complete_boat,
            show_default=False,
        ),
    ] = "",
    device: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PORT",
            help="Only this one: a path, ttyUSB0, a serial number, a USB socket, or can0. May be "
            "given several times.",
        ),
    ] = None,
    new: Annotated[
        str | None, typer.Option(metavar="BOAT", help="Write the profile of a boat that has none.")
    ] = None,
    into: Annotated[
        str | None,
        typer.Option(
            metavar="BOAT",
            help="Correct and add links in a profile.",
            autocompletion=complete_boat,
        ),
    ] = None,
    everything: Annotated[
        bool,
        typer.Option(
            "--all", help="Of a boat, its links' ports, too: its feed pauses one after another."
        ),
    ] = False,
    boats: Boats = BOATS,
    board: Annotated[
        str | None, typer.Option(metavar="ID", help="The new boat's computer. Else it is asked.")
    ] = None,
    country: Annotated[
        str | None, typer.Option(metavar="CC", help="Where the new boat is, such as GB.")
    ] = None,
    yes: Annotated[
        bool,
        typer.Option(
            "--yes", help="Change the profile, or pause links that a pilot needs, without asking."
        ),
    ] = False,
    vault_password_file: VaultFile = None,
    at: At = None,
    former_key: FormerKey = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Listen on serial adapters: baud rates, sentences, instruments.

    And on NMEA 2000: groups and their sources. It never sends. Of a boat, ports that its feed has
    open are reported from what the feed hears.
    """
    with reporting(report, "Survey") as hold:
        task = Options(boats, new, into, board, country, yes).task()
        if boat:
            from provision.cli.survey.boat import Asked, survey_boat

            asked = Asked(boats, vault_password_file, at or (), former_key, everything, yes)
            found, heard = survey_boat(boat, device or [], asked)
        else:
            _refuse_without_boat(everything=everything, at=at)
            found = survey_here(device or [])
            heard = _heard_here(found)
        hold(lambda: _page(found, boat))
        if not as_json:
            print_tables(found)
        outcome = task.finish(heard) if task else None
        if outcome:
            became = tuple(outcome.lines)
            hold(lambda: _page(found, boat, became))
        if as_json:
            show({**found.as_json(), **({"profile": outcome.result} if outcome else {})})
        for line in outcome.lines if outcome and not as_json else ():
            print(harmless(line))
        if found.failed or (outcome and not outcome.ok):
            raise typer.Exit(FOUND_SOMETHING)


def _page(found: Findings, boat: str, became: tuple[str, ...] = ()) -> Page:
    """Make the page of a survey. `became` says in lines what became of a profile."""
    from provision.report.contents.survey import survey_page

    return survey_page(found, boat, became)


def _refuse_without_boat(*, everything: bool, at: Sequence[str] | None) -> None:
    option = "--all" if everything else "--at" if at else ""
    if option:
        raise UserError(
            f"{option} is about a running boat, and none is named",
            hint=f"name it: provision survey BOAT {option}",
        )


def survey_here(devices: list[str]) -> Findings:
    """Listen on this computer's ports and networks, all or those named."""
    # Here, so that no other command waits for it.
    from threading import Event

    from provision.progress import console
    from provision.survey.adapters import Adapter, with_others
    from provision.survey.can import all_wanted
    from provision.survey.console import progress
    from provision.survey.findings import Findings, choose_here, hear
    from provision.survey.words import with_advice

    adapters, networks = choose_here(devices)
    with progress([*adapters, *map(Adapter, networks)], console) as listener:
        found = hear(adapters, all_wanted(networks), listener, Event())
    return Findings(with_advice(found.ports, with_others(adapters)), found.networks)


def _heard_here(found: Findings) -> Heard:
    from provision.survey.adapters import with_others
    from provision.survey.draft.heard import Heard

    known = with_others([port.adapter for port in found.ports])
    return Heard(found.ports, known, networks=found.networks)


def print_tables(found: Findings) -> None:
    """Print a table of the ports, and one of the networks."""
    from provision.progress import results
    from provision.survey.console import network_table, result_table

    if found.ports:
        results.print(result_table(found.ports))
    if found.networks:
        results.print(network_table(found.networks))
