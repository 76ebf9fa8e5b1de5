# SPDX-License-Identifier: GPL-3.0-or-later
"""keys --add-operator: let a further person log in, and say whose key it is."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from provision.cli.common import show
from provision.cli.opening import chosen_files
from provision.harmless import harmless
from provision.paths import argument, folder_option


def add_operator(
    names: Sequence[str] | None, everyone: bool, boats: Path, public_key: Path, as_json: bool
) -> None:
    """Add a person's public key to the boats named, or to all of the folder."""
    from provision.profile.secrets import operators
    from provision.ssh.endpoint import fingerprint

    files = chosen_files(names, boats, everyone or not names)
    added = operators.add_operator(files, public_key)
    prints = [fingerprint(line) for line in added.keys]
    if as_json:
        show(
            {
                "key": str(added.file),
                "fingerprints": prints,
                "boats": list(added.boats),
                "changed": [str(file) for file in added.changed],
            }
        )
        return
    for line, mark in zip(added.keys, prints, strict=True):
        print(harmless(f"{added.file}: {mark} {' '.join(line.split()[2:])}".rstrip()))
    if not added.boats:
        print("nothing to change, the boats' files name that key already")
        return
    print(f"changed {', '.join(str(file) for file in added.changed) or 'no boat'}")
    for file in added.own:
        print(f"{file.name} has its own list of keys now: a change of the shared one misses it")
    where = " ".join(map(argument, files)) if names else f"--all{folder_option(boats)}"
    print("compare the fingerprint with what its owner's ssh-keygen -l -f FILE says")
    print(f"next: provision push {where}; until then no boat knows it")
