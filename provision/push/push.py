# SPDX-License-Identifier: GPL-3.0-or-later
"""Push settings to boats: on trial, proven, kept, or rolled back."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from pathlib import Path

from provision.errors import UserError
from provision.push.dry_run import with_diff
from provision.push.inventory import inventory
from provision.push.notes import note_push
from provision.push.options import PushOptions
from provision.push.outcome import verdict
from provision.push.plan import Target, prepare
from provision.push.playbook import CONFIG, Listener, tell
from provision.push.result import PushResult
from provision.push.workspace import workspace, write_private


def push(
    targets: Sequence[Target], options: PushOptions, listener: Listener | None = None
) -> list[PushResult]:
    """Bring the boats to their settings, side by side; one's failure stops no other.

    The result says of each boat where it stands, from its own word over a new connection
    whenever it can be had. UserError when something is wrong before a boat was asked.
    """
    with workspace() as folder:
        wanted = prepare(targets, folder, options.at, former=options.former)
        write_private(folder / "ansible.cfg", CONFIG)
        write_private(folder / "inventory.json", inventory(wanted, options))
        stories = tell(wanted, folder, options, listener)
        with ThreadPoolExecutor(options.at_once) as pool:
            told = [stories[boat.reach.boat] for boat in wanted]
            ended = list(pool.map(verdict, wanted, told, repeat(options.timer)))
            if options.check:
                ended = list(pool.map(with_diff, wanted, targets, ended))
            list(pool.map(note_push, targets, wanted, ended))
            return ended


def lay_out(targets: Sequence[Target], folder: Path, options: PushOptions) -> str:
    """Put all that plain `ansible-playbook` needs into a new folder; returns the inventory.

    There are secrets in it: the folder is private (mode 0700), and yours to remove.
    """
    try:
        folder.mkdir(mode=0o700, parents=True)
    except OSError as error:
        raise UserError(f"{folder} cannot be made: {error.strerror}") from None
    wanted = prepare(targets, folder.resolve(), options.at)
    text = inventory(wanted, options)
    write_private(folder / "inventory.json", text)
    return text
