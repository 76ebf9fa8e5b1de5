# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that builds cards: card."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from provision.cli.common import Boats, Everyone, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import chosen_files, open_boat, print_check_errors, read_neighbours
from provision.errors import Location, UserError, UserErrors
from provision.paths import BOATS, argument

if TYPE_CHECKING:
    from collections.abc import Mapping

    from provision.card.layout.filesystems import Filed
    from provision.profile.load import Boat
    from provision.render import OpenBoat


@app.command(cls=Command, epilog=example("card kittiwake -o kittiwake.img"))
def card(  # noqa: PLR0913
    out: Annotated[
        Path,
        typer.Option(
            "-o",
            metavar="PATH",
            help="The image file to make; for several boats a folder, for BOAT.img of each.",
            readable=False,
        ),
    ],
    names: Some = None,
    everyone: Everyone = False,
    anyway: Annotated[
        bool, typer.Option("--anyway", help="Build it although check finds errors.")
    ] = False,
    with_backup: Annotated[
        bool, typer.Option("--with-backup", help="Put back the logs and the history of a backup.")
    ] = False,
    fresh: Annotated[
        bool, typer.Option("--fresh", help="Build the base from today's packages; minutes.")
    ] = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Build boats' cards as image files.

    `provision write` puts one on a card. Of a boat about which check finds errors none is built.
    """

    from provision.card.base.age import describe_age
    from provision.card.image.target import check_target

    built_since = time.time() if fresh else 0.0
    files = chosen_files(names, boats, everyone)
    alone = not everyone and len(files) == 1
    images = {file: out if alone else _in_folder(out, file) for file in files}
    for image in images.values():
        check_target(image)
    fleet = [open_boat(str(file), boats, vault_password_file) for file in files]
    _refuse_errors([known.boat for known in fleet], anyway)
    _count_findings([known.boat for known in fleet], fresh)
    restored = [_restored(known) if with_backup else {} for known in fleet]
    built = [
        _build(known, images[known.boat.file], files, built_since)
        for known, files in zip(fleet, restored, strict=True)
    ]
    if as_json:
        show(built[0] if alone else {"cards": built})
        return
    for made in built:
        settings, age = made["settings"][:12], describe_age(made["base"], time.time())
        print(f"{made['image']}: {made['boat']} on {made['board']}, settings {settings}, {age}")


def _in_folder(folder: Path, file: Path) -> Path:
    """Return the path for the image of one of several boats. Make its folder when it is missing."""
    try:
        folder.mkdir(exist_ok=True)
    except OSError as error:
        raise UserError(
            f"cannot be made: {error.strerror}",
            location=Location(folder),
            hint="for several boats -o names a folder",
        ) from error
    return folder / f"{file.stem}.img"


def _refuse_errors(boats: list[Boat], anyway: bool) -> None:
    """Raise UserErrors with the errors that check finds, or print them to build `anyway`."""
    from provision.checks import find_errors

    if anyway:
        print_check_errors(boats)
        return
    found = [finding for boat in boats for finding in find_errors(boat)]
    if found:
        errors_found = [
            UserError(finding.message, location=finding.location, hint=finding.hint)
            for finding in found
        ]
        hint = "correct it first; --anyway builds it all the same"
        raise UserErrors([*errors_found, UserError("no card was built", hint=hint)])


def _count_findings(boats: list[Boat], fresh: bool) -> None:
    """Say for each boat how many findings `check` has that do not stop the card.

    With `fresh` the age of the base in the cache does not count.
    """
    from provision.checks import check
    from provision.checks.finding import summarize
    from provision.checks.storage import base
    from provision.progress import note

    neighbours = read_neighbours({boat.file.parent for boat in boats})
    for boat in boats:
        found = check([boat], neighbours)
        if found := [one for one in found if not fresh or one.check != base.CHECK]:
            note(f"{summarize(found, [boat.name])}: provision check {argument(boat.file)}")


def _restored(known: OpenBoat) -> Mapping[str, Filed]:
    """Return what of the boat's backup goes onto its card, and say how old that is."""
    from datetime import datetime

    from provision.backup.restore import find_restorable
    from provision.backup.store import FOLDER
    from provision.progress import note

    found = find_restorable(known.boat.file.parent / FOLDER, known.boat.name)
    taken = f"{datetime.fromtimestamp(found.taken).astimezone():%Y-%m-%d %H:%M}"
    note(f"{known.boat.name}: {len(found.files)} files of the backup of {taken} go back")
    for name in found.damaged:
        note(f"{name}: the copy is damaged, and is left out")
    return found.files


def _build(
    known: OpenBoat, image: Path, restored: Mapping[str, Filed], built_since: float
) -> dict[str, Any]:
    """Build one boat's card, and return its description for `--json`."""
    from provision.card.base.cache import get_base
    from provision.card.image.assemble import assemble
    from provision.progress import step
    from provision.push.records.built import remember_card

    settings = known.render()
    system = get_base(known.board, built_since=built_since)
    with step(f"Putting {known.boat.name}'s card together"):
        layout = assemble(known.board, settings, system, image, restored)
    remember_card(known.boat.file, image)
    return {
        "image": str(image),
        "boat": known.boat.name,
        "board": known.board.id,
        "bytes": layout.size,
        "settings": settings.sha256,
        "base": system.facts,
    }
