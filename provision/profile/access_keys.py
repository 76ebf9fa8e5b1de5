# SPDX-License-Identifier: GPL-3.0-or-later
"""Read the public keys of those who may log in."""

from __future__ import annotations

from provision.errors import Location, UserError
from provision.paths import argument
from provision.profile.load import Boat
from provision.profile.schema.types import is_public_key
from provision.profile.yaml.tree import read_text

#: The private half of the key pair that `provision keys` makes in a folder of boats; the public
#: half has `.pub` behind it.
OPERATOR = "operator"


def read_access_keys(boat: Boat) -> list[str]:
    """Return the public key lines of access.keys. Read *.pub files beside the profile."""
    entries = range(len(boat.profile.access.keys))
    return list(dict.fromkeys(line for number in entries for line in read_entry(boat, number)))


def read_entry(boat: Boat, number: int) -> list[str]:
    """Return the public key lines of one entry of access.keys.

    Raise UserError if it has none.
    """
    entry, key = boat.profile.access.keys[number], f"access.keys[{number}]"
    if " " in entry:
        return [entry]
    file = boat.file.parent / entry
    if not file.exists():
        raise UserError(
            f"the public key {file} is not there",
            location=boat.location(key),
            hint=f"provision keys {argument(boat.file)} makes {OPERATOR}.pub; any other has to be "
            "put there",
        )
    lines = [(n, line.strip()) for n, line in enumerate(read_text(file).splitlines(), 1)]
    found = [(n, line) for n, line in lines if line]
    bad = [n for n, line in found if not is_public_key(line)]
    if bad or not found:
        raise UserError(
            "is no OpenSSH public key, or an RSA key below 2048 bits",
            location=Location(file, bad[0] if bad else 1, key=key),
            hint="one key a line, as ssh-keygen writes it into a .pub file, and nothing else",
        )
    return [line for _, line in found]
