# SPDX-License-Identifier: GPL-3.0-or-later
"""The command that tells whether cards could be made again without a network: ready."""

from __future__ import annotations

import time
from functools import cache

import typer

from provision.cli.boats.asked import load_named_or_all
from provision.cli.common import FOUND_SOMETHING, Boats, Json, Some, VaultFile, app, show
from provision.cli.help import Command, example
from provision.harmless import harmless
from provision.paths import BOATS


@app.command(name="ready", cls=Command, epilog=example("ready"))
def command(
    names: Some = None,
    boats: Boats = BOATS,
    vault_password_file: VaultFile = None,
    as_json: Json = False,
) -> None:
    """Tell if boats' cards could be made again now, without a network.

    Without names, all boats of the folder are looked at. No boat is asked.
    """

    from provision.progress import wait
    from provision.ready import look_at
    from provision.ready.rebuild import is_sound

    fleet, invalid = load_named_or_all(names or (), boats, vault_password_file)
    # Boats with the same needs share a base, and comparing one takes a second.
    sound = cache(is_sound)
    with wait("Comparing the bases with their digests"):
        found = [look_at(boat, time.time(), sound) for boat in fleet]
    if as_json:
        unready = [{"boat": one.name, "ready": False, "reason": one.reason} for one in invalid]
        show({"boats": [*(one.as_json() for one in found), *unready]})
    else:
        for one in found:
            print(f"{one.boat}: {'ready' if one.ready else 'NOT READY'}")
            for item in one.items:
                print(harmless(f"  {item.name + ':':<16} {item.text}"))
                if item.hint:
                    print(harmless(f"  {'':<16} hint: {item.hint}"))
        for boat in invalid:
            print(harmless(f"{boat.name}: NOT READY: {boat.reason}"))
    if invalid or not all(one.ready for one in found):
        raise typer.Exit(FOUND_SOMETHING)
