# SPDX-License-Identifier: GPL-3.0-or-later
"""Check that the keys of those who may log in can be read."""

from __future__ import annotations

from collections.abc import Iterator

from provision.checks.finding import Finding
from provision.errors import UserError
from provision.profile.access_keys import OPERATOR, read_entry
from provision.profile.load import Boat


def check(boat: Boat) -> Iterator[Finding]:
    """Find files named in access.keys that are missing or hold something else.

    The operator's key is made by `provision keys`, which may not have run yet.
    """
    for number, entry in enumerate(boat.profile.access.keys):
        if entry == f"{OPERATOR}.pub" and not (boat.file.parent / entry).exists():
            continue
        try:
            read_entry(boat, number)
        except UserError as error:
            assert error.location is not None
            yield Finding("error", "access-key", error.message, error.location, error.hint)
