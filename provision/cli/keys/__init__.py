# SPDX-License-Identifier: GPL-3.0-or-later
"""The command about secrets: keys. Each of its actions calls a file of its own."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from provision.cli.common import Boats, Everyone, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.cli.opening import chosen_files
from provision.cli.terminal.completion import complete_rotatable, complete_settable
from provision.errors import Location, UserError
from provision.paths import BOATS, argument

if TYPE_CHECKING:
    from provision.profile.secrets.keygen import MadeKeys


@app.command(cls=Command, epilog=example("keys kittiwake"))
def keys(  # noqa: PLR0913
    names: Some = None,
    everyone: Everyone = False,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    shown: Annotated[
        bool, typer.Option("--show", help="Show the Wi-Fi pass-phrases, on a terminal or with -o.")
    ] = False,
    out: Annotated[
        Path | None,
        typer.Option(
            "-o",
            metavar="FILE",
            help="With --show: a file for them that you alone can read.",
            readable=False,
        ),
    ] = None,
    chosen_by_user: Annotated[
        str | None,
        typer.Option(
            "--set",
            metavar="SECRET",
            help="Set a pass-phrase of your own: pass_phrase, or a TABLET's. It is asked for, "
            "or the first line of standard input.",
            autocompletion=complete_settable,
        ),
    ] = None,
    rotate: Annotated[
        list[str] | None,
        typer.Option(
            "--rotate",
            metavar="SECRET",
            help="Replace this one: pass_phrase, host_key, or a TABLET's own pass-phrase.",
            autocompletion=complete_rotatable,
        ),
    ] = None,
    replace_lost: Annotated[
        bool,
        typer.Option(
            "--replace-lost",
            help="Make new secrets although the boat was built with others, now lost.",
        ),
    ] = False,
    change_password: Annotated[
        bool,
        typer.Option(
            "--change-vault-password",
            help="Change the vault password of the whole folder; it takes no BOAT.",
        ),
    ] = False,
    new_operator: Annotated[
        Path | None,
        typer.Option(
            "--add-operator",
            metavar="NAME.pub",
            help="Let a further person log in, by this public key: to the boats named, or to all.",
            readable=False,
        ),
    ] = None,
    stolen: Annotated[
        bool,
        typer.Option(
            "--stolen",
            help="The card was lost or stolen: replace every secret. Nothing is pushed to the boat "
            "until it has a new card.",
        ),
    ] = False,
    yes: Annotated[
        bool, typer.Option("--yes", help="With --stolen: do not ask for the boat's name.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Make boats' secrets: Wi-Fi pass-phrases and SSH keys.

    What is there stays. The operator's SSH key is made for the whole folder.
    """

    from provision.cli.keys.add_operator import add_operator
    from provision.cli.keys.change_vault_password import change_vault_password
    from provision.cli.keys.lost import find_lost
    from provision.cli.keys.pass_phrases import choose_pass_phrase, show_pass_phrases
    from provision.cli.keys.stolen import replace_stolen
    from provision.profile import load
    from provision.progress import note

    _one_thing(
        {
            "--show": shown,
            "--set": chosen_by_user,
            "--rotate": rotate,
            "--stolen": stolen,
            "--change-vault-password": change_password,
            "--add-operator": new_operator,
        }
    )
    if out is not None and not shown:
        raise UserError("-o says where --show writes", hint="give both, or neither")
    if yes and not stolen:
        raise UserError("--yes answers what --stolen asks", hint="give both, or neither")
    if change_password:
        if names:
            raise UserError(
                "--change-vault-password is for the whole folder: name no boat",
                hint="--boats DIR names the folder",
            )
        change_vault_password(boats, vault_password_file, as_json)
        return
    if new_operator is not None:
        add_operator(names, everyone, boats, new_operator, as_json)
        return
    files = chosen_files(names, boats, everyone)
    for file in files:
        if not load.names_a_boat(file):
            raise UserError(
                "is about no boat",
                location=Location(file),
                hint="a boat's file has the key boat at its top",
            )
    if shown:
        show_pass_phrases(files, vault_password_file, out, as_json)
    elif stolen:
        replace_stolen(files, vault_password_file, as_json, everyone=everyone, yes=yes)
    elif chosen_by_user is not None:
        choose_pass_phrase(files, vault_password_file, chosen_by_user, as_json)
    else:
        lost = find_lost(files, refuse=not replace_lost)
        _make(files, vault_password_file, rotate or (), as_json, alone=bool(names))
        for file in lost:
            after = f"provision card {argument(file)} -o PATH"
            note(f"{file.stem} answers to these after a new card: {after}")


def _one_thing(asked: dict[str, object]) -> None:
    """Refuse two actions at once."""
    given = [option for option, value in asked.items() if value not in (None, False, [])]
    if len(given) > 1:
        raise UserError(f"{' and '.join(given)} are two things", hint="do one after the other")


def _make(
    files: Sequence[Path],
    password: Path | None,
    rotate: Sequence[str],
    as_json: bool,
    *,
    alone: bool,
) -> None:
    from provision.cli.keys.lost import operator_missing
    from provision.profile import load
    from provision.profile.secrets.keygen import OPERATOR, check_rotation, make_keys
    from provision.progress import note

    if rotate:
        # Before any: a secret that is not every boat's would leave half of them rotated.
        for file in files:
            check_rotation(rotate, load.read(file).profile.own_pass_phrases)
    vault_passwords = _passwords(files, password)
    held = _warn_of_loss(files if rotate else ())
    made = {file: make_keys(file, vault_passwords[file.parent], rotate) for file in files}
    missing = operator_missing(vault_passwords)
    for text in missing.values():
        print(f"provision: warning: {text}", file=sys.stderr)
    if as_json:
        entries = [_made_json(one, missing) for one in made.values()]
        boats_json = [{"boat": file.stem, **one} for file, one in zip(made, entries, strict=True)]
        show(entries[0] if alone and len(entries) == 1 else {"boats": boats_json})
        return
    for one in made.values():
        all_there = "all is there" if not missing else "the boat's own are there"
        own = [name for name in one.created if name != OPERATOR]
        what = f"made {', '.join(own)}" if own else f"nothing to make, {all_there}"
        print(f"{one.secrets}: {what}")
        if OPERATOR in one.created:
            private_half = one.secrets.with_name(OPERATOR)
            print(f"{private_half}: made, the SSH key that logs in to the boats")
            note(f"keep a copy elsewhere of {_irreplaceable(private_half)}")
    if typed := [file for file, one in made.items() if {*one.created} - {"host_key", OPERATOR}]:
        which = " ".join(map(argument, typed))
        note(f"what to type on the tablets: provision keys {which} --show")

    if pushable := [file for file in files if rotate and file not in held]:
        where = " ".join(map(argument, pushable))
        note(f"next: provision push {where}; until then nothing changes aboard")


def _warn_of_loss(files: Iterable[Path]) -> list[Path]:
    """Warn of boats whose card is lost and not yet replaced, and return their files."""
    from provision.profile.secrets.stolen import read_record

    held = []
    for file in files:
        record = read_record(file)
        if record is not None and not record.new_card:
            text = (
                f"warning: a card of {file.stem} was lost or stolen ({record.since}), and it has "
                "no new card yet: nothing is pushed to it, and it gets these by a new card alone"
                f"\n  hint: provision card {argument(file)} -o {file.stem}.img, then "
                f"provision write {file.stem}.img DEVICE"
            )
            print(f"provision: {text}", file=sys.stderr)
            held.append(file)
    return held


def _irreplaceable(private_half: Path) -> str:
    """Name the files of a folder without which its boats are out of reach."""
    from provision.profile.secrets.vault import PASSWORD_FILE

    vault_password = private_half.with_name(PASSWORD_FILE)
    if not vault_password.exists():
        return f"{private_half} and the vault password"
    return f"{private_half} and {vault_password}"


def _made_json(made: MadeKeys, missing: Iterable[Path]) -> dict[str, object]:
    lacks = [str(file) for file in missing if file.parent == made.secrets.parent]
    entries: dict[str, object] = {"secrets": str(made.secrets), "made": made.created}
    return entries | ({"missing": lacks} if lacks else {})


def _passwords(files: Sequence[Path], password: Path | None) -> dict[Path, bytes]:
    """The vault password of each folder, asked for once; twice where there is nothing yet."""
    from provision.profile.secrets import store, vault

    fresh = {file.parent: False for file in files}
    for file in files:
        fresh[file.parent] |= not store.secrets_path(file).exists()
    return {
        folder: vault.read_password(folder, password, twice=new) for folder, new in fresh.items()
    }
