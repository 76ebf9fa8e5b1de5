# SPDX-License-Identifier: GPL-3.0-or-later
"""Push settings to boats: on trial, proven, kept, or rolled back."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from itertools import repeat
from pathlib import Path

from provision.errors import UserError
from provision.push.ansible.inventory import write_inventory
from provision.push.ansible.playbook import ANSIBLE_CONFIG, Listener, run_and_collect
from provision.push.dry_run import with_diff
from provision.push.options import PushOptions
from provision.push.outcome import push_result
from provision.push.plan import prepare
from provision.push.records.answers import remember_push
from provision.push.result import PushResult
from provision.push.workspace import workspace, write_private
from provision.render import OpenBoat


def push(
    boats: Sequence[OpenBoat], options: PushOptions, listener: Listener | None = None
) -> list[PushResult]:
    """Push settings to several boats at once. A boat that fails stops no other.

    Each result follows the boat's own status, read over a new connection, wherever the boat
    answers. Raise UserError when something is wrong before the first connection.
    """
    with workspace() as folder:
        deployments = prepare(boats, folder, options.at, former=options.former)
        write_private(folder / "ansible.cfg", ANSIBLE_CONFIG)
        write_private(folder / "inventory.json", write_inventory(deployments, options))
        events_of = run_and_collect(deployments, folder, options, listener)
        with ThreadPoolExecutor(options.at_once) as pool:
            events = [events_of[boat.name] for boat in deployments]
            ended = list(pool.map(push_result, deployments, events, repeat(options.timer)))
            if options.dry_run:
                ended = list(pool.map(with_diff, deployments, boats, ended))
            list(pool.map(remember_push, boats, deployments, ended))
            return ended


def lay_out(boats: Sequence[OpenBoat], folder: Path, options: PushOptions) -> str:
    """Write all that plain `ansible-playbook` needs into a new folder, and return the inventory.

    The folder holds secrets. It is private (mode 0700), and the caller removes it.
    """
    try:
        folder.mkdir(mode=0o700, parents=True)
    except OSError as error:
        raise UserError(
            f"{folder} cannot be made: {error.strerror}",
            hint="name a new folder where you may write",
        ) from None
    deployments = prepare(boats, folder.resolve(), options.at)
    text = write_inventory(deployments, options)
    write_private(folder / "inventory.json", text)
    return text
