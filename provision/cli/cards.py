# SPDX-License-Identifier: GPL-3.0-or-later
"""Commands about cards: card, write."""

from __future__ import annotations

import sys
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from provision.cli.common import Boats, Everyone, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import chosen_files, open_boat, print_check_errors, read_neighbours
from provision.cli.terminal.confirm import confirm_boat
from provision.errors import Location, UserError, UserErrors
from provision.harmless import harmless
from provision.paths import BOATS, argument

if TYPE_CHECKING:
    from provision.card.device.block_devices import Device
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
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Build boats' cards as image files.

    `provision write` puts one on a card. Of a boat about which check finds errors none is built.
    """

    from provision.card.image.target import check_target

    files = chosen_files(names, boats, everyone)
    alone = not everyone and len(files) == 1
    images = {file: out if alone else _in_folder(out, file) for file in files}
    for image in images.values():
        check_target(image)
    fleet = [open_boat(str(file), boats, vault_password_file) for file in files]
    _refuse_errors([known.boat for known in fleet], anyway)
    _count_findings([known.boat for known in fleet])
    built = [_build(known, images[known.boat.file]) for known in fleet]
    if as_json:
        show(built[0] if alone else {"cards": built})
        return
    for made in built:
        settings = made["settings"][:12]
        print(f"{made['image']}: {made['boat']} on {made['board']}, settings {settings}")


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


def _count_findings(boats: list[Boat]) -> None:
    """Say for each boat how many findings `check` has that do not stop the card."""
    from provision.checks import check
    from provision.checks.finding import summarize
    from provision.progress import note

    neighbours = read_neighbours({boat.file.parent for boat in boats})
    for boat in boats:
        if found := check([boat], neighbours):
            note(f"{summarize(found, [boat.name])}: provision check {argument(boat.file)}")


def _build(known: OpenBoat, image: Path) -> dict[str, Any]:
    """Build one boat's card, and return its description for `--json`."""
    from provision.card.base.cache import get_base
    from provision.card.image.assemble import assemble
    from provision.progress import step
    from provision.push.records.built import remember_card

    settings = known.render()
    system = get_base(known.board)
    with step(f"Putting {known.boat.name}'s card together"):
        layout = assemble(known.board, settings, system, image)
    remember_card(known.boat.file, image)
    return {
        "image": str(image),
        "boat": known.boat.name,
        "board": known.board.id,
        "bytes": layout.size,
        "settings": settings.sha256,
        "base": system.facts,
    }


@app.command(cls=Command, epilog=example("write kittiwake.img /dev/sdX"))
def write(  # noqa: PLR0913
    image: Annotated[Path, typer.Argument(metavar="IMAGE", help="A card image.", readable=False)],
    device: Annotated[
        Path | None,
        typer.Argument(
            metavar="DEVICE", help="The card; without it, all are listed.", readable=False
        ),
    ] = None,
    erase: Annotated[
        bool,
        typer.Option("--erase", help="Write zeros to all of the card that the image does not use."),
    ] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Do not ask for the boat's name.")] = False,
    boats: Boats = BOATS,
    as_json: Json = False,
) -> None:
    """Write an image to a card, and read every block back.

    What the image's file systems use is written, and what is read is compared with the image. The
    rest of the card keeps what was on it before, unless --erase is given.
    """

    from provision.card.device.block_devices import changed, find_device, find_objection
    from provision.card.device.progress_bars import progress_bars
    from provision.card.device.write import write_card
    from provision.card.image.host_key import record_written, refuse_lost_card
    from provision.card.image.identity import check_parts, read_boat_name
    from provision.progress import console, note

    boat = read_boat_name(image)
    if device is None:
        _list(as_json)
        return
    card = find_device(device)
    if error := find_objection(card, image):
        raise error
    check_parts(image)
    refuse_lost_card(image, boat, boats)
    _warn_unchecked(boat, boats)
    if not yes:
        question = f"{image} ({boat}) will replace all that is on {card}"
        confirm_boat(boat, question, "nothing was written")
    if find_device(device) != card:
        raise changed(card)
    with progress_bars(console) as report:
        written = write_card(image, card, erase=erase, progress=report)
    _record(image, card, boats / f"{boat}.yml")
    if record_written(image, boat, boats):
        note(f"{boat} has a new card: pushes go out to it again")
    if as_json:
        show({"boat": boat, "device": str(card.path), **asdict(written)})
    else:
        summary = (
            f"{card.path}: {boat}: {written.written / 1e6:.0f} MB "
            f"(of {(card.size if erase else written.size) / 1e6:.0f} MB) "
            f"written in {written.write_seconds:.0f} s, "
            f"read back and compared in {written.read_seconds:.0f} s ({written.cache_mode})"
        )
        print(harmless(summary))


def _record(image: Path, card: Device, profile: Path) -> None:
    """Record beside the boat's profile that this card was written. Say so if that fails."""
    from provision.progress import note
    from provision.push.records.written_cards import add_card, describe_card

    if not profile.exists():
        return
    try:
        add_card(profile, describe_card(image, card))
    except UserError as error:
        note(f"the card is written, and was not recorded: {error}")


def _warn_unchecked(boat: str, boats: Path) -> None:
    """Say that an image was not checked for theft, where the boat's files are not here."""
    from provision.profile.secrets.stolen import record_path

    profile = boats / f"{boat}.yml"
    if not profile.exists() and not record_path(profile).exists():
        text = (
            f"warning: there is no boat {boat} in {boats}, so that it was not checked whether "
            "this image is from before a card of it was lost or stolen"
            "\n  hint: name the folder of the boats with --boats"
        )
        print(f"provision: {harmless(text)}", file=sys.stderr)


def _list(as_json: bool) -> None:
    from provision.card.device.block_devices import list_candidates

    found = list_candidates()
    if as_json:
        show({"devices": [asdict(card) for card in found]})
        return
    for card in found:
        print(harmless(str(card)))
    if not found:
        print("there is no removable card here; plug one in")
