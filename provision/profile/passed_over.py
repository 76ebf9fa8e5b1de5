# SPDX-License-Identifier: GPL-3.0-or-later
"""Find files in a folder of boats that are about no boat and that no other file includes."""

from __future__ import annotations

from pathlib import Path

from provision.errors import Location, UserError
from provision.profile import load
from provision.profile.schema.boat import Profile
from provision.profile.yaml.errors import keys_at, nearest
from provision.profile.yaml.tree import parse, read_text


def find_passed_over(boats: Path) -> list[UserError]:
    """Return an error for each file that was perhaps meant for a boat's, but is not read as one.

    These are files without the key `boat`, and files whose name ends in .yaml. Hidden files,
    secrets, what is no plain file, and files that another file includes are left out.
    """
    files = [file for file in sorted(boats.glob("*.y*ml")) if _is_candidate(file)]
    included = {path for file in files for path in load.list_included(file)}
    errors = (_explain(file) for file in files if file.resolve() not in included)
    return [error for error in errors if error]


def _is_candidate(file: Path) -> bool:
    shown = not file.name.startswith(".") and ".secrets." not in file.name
    try:
        return shown and file.suffix in (".yml", ".yaml") and file.is_file()
    except OSError:
        return False


def _explain(file: Path) -> UserError | None:
    """Say why the file is passed over. Return None for a file that is read as a boat's."""
    if file.suffix == ".yaml":
        return UserError(
            "is passed over: a boat's file ends in .yml, and no boat includes this one",
            location=Location(file),
            hint=f"call it {file.with_suffix('.yml').name}, or take it out of the folder",
        )
    if load.names_a_boat(file):
        return None
    root = parse(file, read_text(file), [])
    if root is None:
        return UserError(
            "is passed over: the file is empty",
            location=Location(file, 1),
            hint="a boat's file has the key boat at its top; take any other out of the folder",
        )
    known = keys_at(Profile, ())
    for key, node in root.value.items() if isinstance(root.value, dict) else ():
        if key not in known and nearest(key, known) == "boat":
            return UserError(
                f"is passed over: there is no key {key}",
                location=node.location,
                hint="did you mean boat?",
            )
    return UserError(
        "is passed over: it has no key boat at its top, and no boat includes it",
        location=Location(file),
        hint="begin a boat's file with boat: and its name; take any other out of the folder",
    )
