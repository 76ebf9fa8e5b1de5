# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that finds out what is on the wires of a boat: survey."""

from __future__ import annotations

from typing import Annotated

import typer

from provision.cli.common import FOUND_SOMETHING, Json, app, show
from provision.cli.help import Command, example


@app.command(name="survey", cls=Command, epilog=example("survey --device /dev/ttyUSB0"))
def command(
    device: Annotated[
        list[str] | None,
        typer.Option(metavar="PATH", help="Only this port. May be given several times."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Listen on serial adapters: baud rates, sentences, instruments."""
    # Here, so that no other command waits for it.
    from provision.progress import console, results
    from provision.survey.adapters import choose, with_others
    from provision.survey.console import progress, result_table
    from provision.survey.listening import survey
    from provision.survey.words import with_advice

    adapters = choose(device or [])
    with progress(adapters, console) as listener:
        reports = with_advice(survey(adapters, listener), with_others(adapters))
    if as_json:
        show({"ports": [report.as_json() for report in reports]})
    else:
        results.print(result_table(reports))
    if any(report.error for report in reports):
        raise typer.Exit(FOUND_SOMETHING)
