# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands that put boats on paper: sheet, labels."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from provision.cli.common import Boats, Everyone, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import chosen_files, open_boat, refuse_beside_profiles
from provision.harmless import harmless
from provision.paths import BOATS

if TYPE_CHECKING:
    from provision.paper import Pages
    from provision.profile.load import Boat

Out = Annotated[
    Path,
    typer.Option(
        "-o", metavar="FILE", help="The file to make: FILE.pdf or FILE.html.", readable=False
    ),
]
PaperSize = Annotated[
    Literal["a4", "letter"],
    typer.Option("--paper", metavar="a4|letter", help="The size of the paper."),
]


@app.command(cls=Command, epilog=example("sheet kittiwake -o kittiwake.pdf"))
def sheet(  # noqa: PLR0913
    out: Out,
    names: Some = None,
    everyone: Everyone = False,
    paper: PaperSize = "a4",
    no_pass_phrase: Annotated[
        bool,
        typer.Option("--no-pass-phrase", help="Leave the Wi-Fi's pass-phrase and its code out."),
    ] = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Make boats' sheets for the chart table, to print.

    What to try when the screens are dead, how to connect, and what is plugged in where.
    """
    from provision.paper import Paper, make_sheets, output, pdf
    from provision.profile import load
    from provision.progress import step

    files = chosen_files(names, boats, everyone)
    output.check_target(out, "sheet")
    chosen: list[tuple[Boat, str | None]]
    if no_pass_phrase:
        chosen = [(boat, None) for boat in load.read_all(files)]
    else:
        refuse_beside_profiles(out, files[0].parent)
        opened = [open_boat(str(file), boats, vault_password_file) for file in files]
        chosen = [(one.boat, one.secrets.pass_phrase) for one in opened]
    count_pages = pdf.count_pages if output.is_pdf(out) else None
    with step(f"Fitting {'a sheet' if len(files) == 1 else f'{len(files)} sheets'}"):
        pages = make_sheets(chosen, Paper(paper), count_pages)
        output.write(out, pages)
    _report(out, pages, [boat for boat, _ in chosen], as_json)


@app.command(cls=Command, epilog=example("labels kittiwake -o labels.pdf"))
def labels(  # noqa: PLR0913
    out: Out,
    names: Some = None,
    everyone: Everyone = False,
    paper: PaperSize = "a4",
    boats: Boats = BOATS,
    as_json: Json = False,
) -> None:
    """Make labels for boats' adapters, and flags for their cables.

    Each label has a code that a phone reads without a network.
    """
    from provision.paper import Paper, make_labels, output
    from provision.profile import load

    files = chosen_files(names, boats, everyone)
    output.check_target(out, "labels")
    chosen = load.read_all(files)
    pages = make_labels(chosen, Paper(paper))
    output.write(out, pages)
    _report(out, pages, chosen, as_json)


def _report(out: Path, pages: Pages, boats: Sequence[Boat], as_json: bool) -> None:
    names = [boat.name for boat in boats]
    if as_json:
        show({"file": str(out), "boats": names, "pass_phrase": pages.private})
        return
    of = ", ".join(names)
    private = ", with the Wi-Fi's pass-phrase: keep it aboard" if pages.private else ""
    print(harmless(f"{out}: {pages.kind} of {of}{private}"))
