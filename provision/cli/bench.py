# SPDX-License-Identifier: GPL-3.0-or-later
"""The command for the virtual boat: bench."""

from __future__ import annotations

import contextlib
import fcntl
import shlex
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from provision.cli.common import FOUND_SOMETHING, Boats, Json, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import open_boat
from provision.cli.terminal.completion import complete_boat_or_image
from provision.errors import Location, UserError
from provision.harmless import harmless
from provision.paths import BOATS, argument

if TYPE_CHECKING:
    from provision.render import OpenBoat


@app.command(cls=Command, epilog=example("bench kittiwake"))
def bench(  # noqa: PLR0913
    name: Annotated[
        str,
        typer.Argument(
            metavar="BOAT|IMAGE",
            help="A boat, or the card image of one.",
            autocompletion=complete_boat_or_image,
        ),
    ],
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    hold: Annotated[
        bool, typer.Option("--hold", help="Keep it running; say how to reach it.")
    ] = False,
    instruments: Annotated[
        Literal["sailing", "none"],
        typer.Option(metavar="sailing|none", help="Who plays the instruments."),
    ] = "sailing",
    hull: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE",
            help="What the boat really has on its wires. By default what its profile says.",
        ),
    ] = None,
    seed: Annotated[int, typer.Option(metavar="N", help="Shuffles the order of the adapters.")] = 0,
    as_json: Json = False,
) -> None:
    """Try a boat on this computer, without any hardware.

    Its card is booted in a virtual boat: adapters, instruments, radio and a tablet. With --hull
    the instruments are not what the profile says, but what they are aboard.
    """

    # Here, so that no other command waits for the bench's libraries.
    from provision.bench.bench import Bench
    from provision.bench.hold.server import hold as hold_bench
    from provision.bench.hull.load import read_hull
    from provision.bench.qemu.build import check_installed
    from provision.card.base.cache import get_base
    from provision.card.image.assemble import assemble
    from provision.card.image.identity import check_parts, read_boat_name
    from provision.progress import note, step

    image = Path(name) if _is_image(name) else None
    known = open_boat(read_boat_name(image) if image else name, boats, vault_password_file)
    check_installed(known.board)
    as_it_is = read_hull(hull, known.boat.name) if hull else None
    with (
        _in_use(image) if image else contextlib.nullcontext(),
        tempfile.TemporaryDirectory(prefix="provision-bench-") as work,
    ):
        if image:
            _compare(image, known)
            check_parts(image)
        card = image or Path(work) / "card.img"
        if image is None:
            system = get_base(known.board)
            with step(f"Putting {known.boat.name}'s card together"):
                assemble(known.board, known.render(), system, card)
        machine = Bench(
            known.boat.profile,
            known.secrets,
            known.board,
            card,
            hull=as_it_is,
            instruments=instruments == "sailing",
            seed=seed,
        )
        with machine:
            if hold:
                hold_bench(machine, as_json)
                return
            with step("Starting the virtual boat"):
                joined = machine.join()
            with step("Reading the feed on the tablet"):
                heard = machine.read(seconds=10, lines=60)
            lines = heard["lines"]
            if as_json:
                show({"tablet": joined, "first_sentence": heard["first"], "sentences": lines})
            else:
                note(f"the tablet has {joined['address']}, and heard {len(lines)} sentences:")
                for line in lines:
                    print(harmless(line))
            silent = machine.talks and not lines
    if silent:
        raise typer.Exit(FOUND_SOMETHING)


@contextlib.contextmanager
def _in_use(image: Path) -> Iterator[None]:
    """Keep `provision card` from replacing an image while a bench reads it."""
    with image.open("rb") as file:
        with contextlib.suppress(OSError):  # a file system without locks
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)
        yield


def _compare(image: Path, known: OpenBoat) -> None:
    """Raise UserError when a card is for another board. Report settings that differ."""
    from provision.card.image.identity import read_identity
    from provision.progress import note

    card = read_identity(image)
    if card["board"] != known.board.id:
        raise UserError(
            f"this card is for the board {card['board']}, the profile's is {known.board.id}",
            location=Location(image),
            hint=f"build it again: provision card {argument(known.boat.file)} "
            f"-o {shlex.quote(str(image))}",
        )
    if card["settings"] != known.render().sha256:
        note("the card has other settings than the profile makes now")


def _is_image(name: str) -> bool:
    """Tell whether this is a card image, not a boat's name or file."""
    return Path(name).is_file() and not name.endswith((".yml", ".yaml"))
