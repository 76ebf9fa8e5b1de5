# SPDX-License-Identifier: GPL-3.0-or-later
"""Start a folder of boats: init."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import Json, app, show
from provision.cli.help import Command, example
from provision.errors import UserError, UserErrors
from provision.harmless import harmless
from provision.paths import argument

if TYPE_CHECKING:
    from provision.checks import Finding
    from provision.profile.first_boat import FirstBoat

KEEP_A_COPY = "keep a copy of .vault-password elsewhere: without it the boats' secrets are lost"


@app.command(cls=Command, epilog=example("init ~/boats"))
def init(  # noqa: PLR0913
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="A new folder.", readable=False)],
    boat: Annotated[
        str | None, typer.Option(metavar="NAME", help="The boat's name, such as tern.")
    ] = None,
    board: Annotated[
        str | None, typer.Option(metavar="ID", help="The board that is the boat's computer.")
    ] = None,
    country: Annotated[
        str | None, typer.Option(metavar="CC", help="Where the boat is, such as GB.")
    ] = None,
    wifi: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="The name of the boat's Wi-Fi (default: the boat's)."),
    ] = None,
    gnss: Annotated[
        str | None,
        typer.Option(
            metavar="PLUG",
            help="Where the GNSS receiver is: its adapter's serial number, a USB socket such as "
            "1-1.2, or can0 (default: the first socket).",
        ),
    ] = None,
    the_example: Annotated[
        bool, typer.Option("--example", help="Make the example club instead, to look at.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Start a folder of boats with your own boat.

    What no option says is asked. The folder gets a vault password of its own, which encrypts the
    boats' secrets.
    """
    answers = {"boat": boat, "board": board, "country": country, "wifi": wifi, "gnss": gnss}
    if the_example:
        _refuse_answers(answers)
        _make_example(folder, as_json)
    else:
        _make_own(folder, answers, as_json)


def _make_example(folder: Path, as_json: bool) -> None:
    from provision.profile.scaffold import create_club

    made = create_club(folder)
    if as_json:
        show({"folder": str(folder), "made": made})
        return
    print(harmless(f"{folder}: {', '.join(made)}"))
    print(KEEP_A_COPY)
    print(harmless(f"next: provision keys kittiwake --boats {shlex.quote(str(folder))}"))


def _make_own(folder: Path, answers: dict[str, str | None], as_json: bool) -> None:
    from provision.checks import check
    from provision.checks.finding import format_lines, summarize
    from provision.profile import load
    from provision.profile.first_boat import compose
    from provision.profile.scaffold import create_folder, refuse_filled

    refuse_filled(folder)
    told = _ask(answers)
    file = folder / f"{told.name}.yml"
    text = compose(told, argument(file))
    # Before the folder is made: an answer that the profile refuses leaves nothing behind.
    findings = check([load.read(file, text)])
    if errors := [finding for finding in findings if finding.level == "error"]:
        raise UserErrors(
            [
                *(UserError(finding.message, hint=finding.hint) for finding in errors),
                UserError("nothing was made", hint="give another answer"),
            ]
        )
    made = create_folder(folder, {file.name: text})
    if as_json:
        show(_as_json(folder, made, file, findings))
        return
    print(harmless(f"{folder}: {', '.join(made)}"))
    print(KEEP_A_COPY)
    for line in format_lines(findings):
        print(harmless(line))
    print(summarize(findings, [told.name]))
    print("plug the boat's adapters into this computer, and switch its instruments on")
    print(harmless(f"next: provision survey --into {argument(file)}"))


def _as_json(
    folder: Path, made: Sequence[str], file: Path, findings: Sequence[Finding]
) -> dict[str, object]:
    return {
        "folder": str(folder),
        "made": list(made),
        "file": str(file),
        "findings": [finding.as_json() for finding in findings],
    }


def _ask(answers: dict[str, str | None]) -> FirstBoat:
    """Ask what no option says. Raise UserError where there is no terminal to ask on."""
    from provision.cli.questions import ask_board, ask_boat, ask_country, ask_gnss, ask_wifi
    from provision.profile.first_boat import FirstBoat

    asks = sys.stdin.isatty()
    # The others have a usual answer.
    open_ones = [name for name in ("boat", "board", "country") if answers[name] is None]
    if open_ones and not asks:
        options = " ".join(_OPTIONS[name] for name in open_ones)
        raise UserError(
            "there is no terminal to ask the questions on",
            hint=f"give {options}; --wifi and --gnss have usual answers; or give --example",
        )
    boat = ask_boat(answers["boat"])
    board, country = ask_board(answers["board"]), ask_country(answers["country"])
    # Where every required option is given, a script runs: ask nothing.
    asks = asks and bool(open_ones)
    wifi = ask_wifi(answers["wifi"], boat, ask=asks)
    return FirstBoat(boat, board, country, wifi, ask_gnss(answers["gnss"], ask=asks))


_OPTIONS = {"boat": "--boat NAME", "board": "--board ID", "country": "--country CC"}


def _refuse_answers(answers: dict[str, str | None]) -> None:
    if given := [f"--{name}" for name, answer in answers.items() if answer is not None]:
        raise UserError(
            f"{', '.join(given)} is about your own boat, and --example makes the example club",
            hint="leave one of both out",
        )
