# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands about profiles: schema, check, render."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import (
    COULD_NOT_RUN,
    FOUND_SOMETHING,
    BoatName,
    Boats,
    Everyone,
    Json,
    Some,
    VaultFile,
    app,
    show,
)
from provision.cli.help import Command, example
from provision.cli.opening import chosen_files, open_boat, read_neighbours, refuse_beside_profiles
from provision.cli.reporting import Hold, Report, reporting
from provision.harmless import harmless
from provision.paths import BOATS, argument

if TYPE_CHECKING:
    from provision.checks import Figure, Finding
    from provision.errors import UserError
    from provision.profile.load import Boat
    from provision.report.page import Page


@app.command(cls=Command, epilog=example("schema > ~/boats/schema.json"))
def schema(as_json: Json = False) -> None:
    """Print the JSON Schema of boats' files, for an editor."""
    from provision.profile.schema.json_schema import build_schema as profile_schema

    show(profile_schema())


@app.command(cls=Command, epilog=example("check --all"))
def check(  # noqa: PLR0913
    names: Some = None,
    everyone: Everyone = False,
    boats: Boats = BOATS,
    show_figures: Annotated[
        bool, typer.Option("--figures", help="All sums, also those within their limits.")
    ] = False,
    report: Report = None,
    as_json: Json = False,
) -> None:
    """Find mistakes in boats' files, before a card is built.

    They are checked against physics, the board and the trade. The worst come first.
    """

    with reporting(report, "Check") as hold:
        _check(names, everyone, boats, show_figures, as_json, hold, with_figures=bool(report))


def _check(  # noqa: PLR0913
    names: list[str] | None,
    everyone: bool,
    boats: Path,
    show_figures: bool,
    as_json: bool,
    hold: Hold,
    *,
    with_figures: bool,
) -> None:
    """Check, and print what was found. A page has the figures, too."""
    from provision.checks import calculate
    from provision.checks import check as check_boats
    from provision.checks.figure import caution_for, format_figures
    from provision.checks.finding import format_lines, summarize
    from provision.profile import load
    from provision.profile.passed_over import find_passed_over

    files = chosen_files(names, boats, everyone, warn=False)
    asked, errors = load.read_each(files)
    passed_over = find_passed_over(boats) if everyone else []
    errors += passed_over
    unread = len(files) - len(asked) + len(passed_over)
    findings = check_boats(asked, read_neighbours({boat.file.parent for boat in asked}))
    figures = calculate(asked) if show_figures or with_figures else []
    shown = figures if show_figures else []
    caution = caution_for(shown, findings)
    hold(lambda: _page(asked, findings, figures, errors, caution_for(figures, findings)))
    if as_json:
        result: dict[str, object] = {"findings": [finding.as_json() for finding in findings]}
        if show_figures:
            result["figures"] = [figure.as_json() for figure in shown]
        if caution:
            result["caution"] = caution
        if errors:
            result["errors"] = [error.as_json() for error in errors]
        show(result)
    else:
        for error in errors:
            print(f"provision: {harmless(str(error))}", file=sys.stderr)
        for line in (*format_figures(shown), *format_lines(findings)):
            print(harmless(line))
        if caution:
            print(f"caution: {caution}")
        print(summarize(findings, [boat.name for boat in asked], unread))
    if errors:
        raise typer.Exit(COULD_NOT_RUN)
    if findings:
        raise typer.Exit(FOUND_SOMETHING)


def _page(
    asked: Sequence[Boat],
    findings: Sequence[Finding],
    figures: Sequence[Figure],
    errors: Sequence[UserError],
    caution: str,
) -> Page:
    from provision.report.contents.check import Checked, check_page

    called = {boat.name: argument(boat.file) for boat in asked}
    return check_page(Checked(asked, findings, figures, errors, caution, called))


@app.command(cls=Command, epilog=example("render kittiwake -o files"))
def render(
    name: BoatName,
    out: Annotated[
        Path, typer.Option("-o", metavar="DIR", help="Where the files go.", readable=False)
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Write all files that a boat will carry, to look at.

    The archive of them is what a push sends.
    """

    from provision.render import write

    opened = open_boat(name, boats, vault_password_file)
    refuse_beside_profiles(out, opened.boat.file.parent)
    settings = opened.render()
    write(settings, out)
    if as_json:
        show({"folder": str(out), "sha256": settings.sha256, "files": sorted(settings.files)})
    else:
        print(f"{out}: {len(settings.files)} files, settings {settings.sha256[:12]}")
