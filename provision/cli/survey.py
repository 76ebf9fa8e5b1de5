# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that finds out what is on the wires of a boat: survey."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import FOUND_SOMETHING, Json, app, show
from provision.cli.help import Command, example

if TYPE_CHECKING:
    from provision.survey.findings import Findings


@app.command(name="survey", cls=Command, epilog=example("survey --device /dev/ttyUSB0"))
def command(
    device: Annotated[
        list[str] | None,
        typer.Option(
            metavar="PORT",
            help="Only this one: a path, ttyUSB0, a serial number, a USB socket, or a CAN interface "
            "such as can0. May be given several times.",
        ),
    ] = None,
    as_json: Json = False,
) -> None:
    """Listen on serial adapters: baud rates, sentences, instruments.

    And on NMEA 2000: groups and their sources. It never sends.
    """
    found = survey_here(device or [])
    print_findings(found, as_json=as_json)
    if found.failed:
        raise typer.Exit(FOUND_SOMETHING)


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


def print_findings(found: Findings, *, as_json: bool) -> None:
    """Print tables, or one JSON object."""
    from provision.progress import results
    from provision.survey.console import network_table, result_table

    if as_json:
        show(found.as_json())
        return
    if found.ports:
        results.print(result_table(found.ports))
    if found.networks:
        results.print(network_table(found.networks))
