# SPDX-License-Identifier: GPL-3.0-or-later
"""Add a person's public key to boats: as a file beside the profiles, and by name in them."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from provision.errors import Location, UserError
from provision.profile import load
from provision.profile.access_keys import OPERATOR, read_entry
from provision.profile.load import Boat
from provision.profile.schema.types import is_public_key
from provision.profile.secrets import private_file
from provision.profile.secrets.rewrite import rewrite
from provision.profile.yaml import edit
from provision.profile.yaml.tree import read_text

#: How access.keys names a file beside the profile.
_NAME = re.compile(r"[A-Za-z0-9_][A-Za-z0-9._-]*\.pub")
_KEYS_PATH = ("access", "keys")


@dataclass(frozen=True)
class AddedOperator:
    """Tell which login was added to which boats and files."""

    file: Path
    """The public key beside the profiles."""
    keys: tuple[str, ...]
    """Its lines."""
    boats: tuple[str, ...]
    """The boats that accept the key since this run."""
    changed: tuple[Path, ...]
    """The profiles and included files that name the key since this run."""
    own: tuple[Path, ...]
    """Those of the changed profiles that had a shared list before, and now have their own."""


def add_operator(profiles: Sequence[Path], public_key: Path) -> AddedOperator:
    """Add a person's public key to each boat. Leave boats alone that have it already.

    A file that boats share is changed if all that share it are among `profiles`. Otherwise each
    boat's own file is. Every file is replaced as a whole, the key's first: after an interruption a
    second run does the rest.
    """
    lines = read_public_key(public_key)
    boats = load.read_all(profiles)
    folder = _one_folder(profiles)
    file = folder / public_key.name
    _check_name(public_key, file, lines)
    there = file.exists()
    new = [boat for boat in boats if not _accepts(boat, file, lines)]
    unnamed = [boat for boat in new if not _names(boat, file)]
    edits = _edits(unnamed, _sharers(folder), file.name)
    if new and not there:
        private_file.write(file, "".join(f"{line}\n" for line in lines).encode(), mode=0o644)
    for changed, text in edits.items():
        rewrite(changed, text)
    shared = {boat.file for boat in unnamed if _file_of_keys(boat) != boat.file.resolve()}
    return AddedOperator(
        file=file,
        keys=tuple(lines),
        boats=tuple(boat.name for boat in new),
        changed=tuple(edits),
        own=tuple(file for file in edits if file in shared),
    )


def read_public_key(file: Path) -> list[str]:
    """Read the lines of a public key. Raise UserError if it is private, cut or too short."""
    text = read_text(file)
    if "PRIVATE KEY-----" in text:
        raise UserError(
            "is a private key, which is its owner's alone",
            location=Location(file, 1),
            hint="ask for its public half, the file that ends in .pub; if this one came by mail or "
            "on a stick, its owner is better off with a new pair",
        )
    # RFC 4716.
    if text.startswith("---- BEGIN SSH2 PUBLIC KEY"):
        raise UserError(
            "is a public key in another form than OpenSSH's",
            location=Location(file, 1),
            hint=f"ssh-keygen -i -f {file} prints it in OpenSSH's: put that line into the file",
        )
    lines = [(number, line.strip()) for number, line in enumerate(text.splitlines(), 1)]
    for number, line in lines:
        if line and not is_public_key(line):
            raise UserError(
                "is no whole OpenSSH public key, or an RSA key below 2048 bits",
                location=Location(file, number),
                hint="copy the whole file that ssh-keygen wrote, one line a key: a mail may have "
                "cut the line",
            )
    found = [line for _, line in lines if line]
    if not found:
        raise UserError(
            "is empty", location=Location(file), hint="copy the file that ssh-keygen wrote"
        )
    return found


def _one_folder(profiles: Sequence[Path]) -> Path:
    folders = {profile.parent.resolve(): profile.parent for profile in profiles}
    if len(folders) > 1:
        raise UserError(
            "the boats are in several folders", hint="add the key to one folder after the other"
        )
    return next(iter(folders.values()))


def _check_name(public_key: Path, file: Path, lines: Sequence[str]) -> None:
    """Refuse a name that access.keys cannot have, or that another key has."""
    away = f"copy it to another name first, such as {public_key.with_name('mate.pub')}"
    if not _NAME.fullmatch(file.name):
        raise UserError(
            "has no name for the key of a person: letters, digits and . _ -, and .pub behind",
            location=Location(public_key),
            hint=away,
        )
    if file.exists():
        if [line.strip() for line in read_text(file).splitlines() if line.strip()] != lines:
            raise UserError(
                f"{file} is there already, and is another key",
                location=Location(public_key),
                hint=away,
            )
    elif file.stem == OPERATOR:
        raise UserError(
            f"{file.name} is the name of the folder's own key",
            location=Location(public_key),
            hint=away,
        )


def _names(boat: Boat, file: Path) -> bool:
    return file.name in boat.profile.access.keys


def _accepts(boat: Boat, file: Path, lines: Sequence[str]) -> bool:
    """Tell if the boat's profile lets all these keys in, by any name."""
    if _names(boat, file):
        return file.exists()
    known: set[tuple[str, ...]] = set()
    for number in range(len(boat.profile.access.keys)):
        # The operator's own may not be made yet.
        with contextlib.suppress(UserError):
            known |= {_strip_comment(line) for line in read_entry(boat, number)}
    return known >= {_strip_comment(line) for line in lines}


def _strip_comment(line: str) -> tuple[str, ...]:
    """Return a key without its comment."""
    return tuple(line.split()[:2])


def _sharers(folder: Path) -> dict[Path, set[Path]]:
    """Return the profiles that have their access.keys from each file, without links.

    If a profile of the folder cannot be read, no file counts as shared by all boats.
    """
    found: dict[Path, set[Path]] = {}
    for profile in load.list_profiles(folder):
        try:
            boat = load.read(profile)
        except UserError:
            return {}
        found.setdefault(_file_of_keys(boat), set()).add(profile.resolve())
    return found


def _file_of_keys(boat: Boat) -> Path:
    return boat.location("access.keys").file.resolve()


def _edits(new: Sequence[Boat], sharers: dict[Path, set[Path]], name: str) -> dict[Path, str]:
    """Return the new text of each file that has to change."""
    asked = {boat.file.resolve() for boat in new}
    edits: dict[Path, str] = {}
    for boat in new:
        source, own = _file_of_keys(boat), boat.file.resolve()
        shared_by = sharers.get(source)
        everybody = source == own or (shared_by is not None and shared_by <= asked)
        target = boat.location("access.keys").file if everybody else boat.file
        if target in edits:
            continue
        text = read_text(target)
        try:
            if everybody:
                edits[target] = edit.append_item(text, _KEYS_PATH, name)
            else:
                edits[target] = edit.add_list(text, _KEYS_PATH, [*boat.profile.access.keys, name])
        except edit.CannotEdit:
            listed = ", ".join([*boat.profile.access.keys, name])
            raise UserError(
                "access.keys is written in a form that is left to you; nothing was changed",
                location=Location(target, key="access.keys"),
                hint=f"copy the key beside the boats, and write: access: {{keys: [{listed}]}}",
            ) from None
    return edits
